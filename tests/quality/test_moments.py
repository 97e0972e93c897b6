"""Mean, spread and lag-1 correlation against certified values, and what is refused."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.moments import checked, lag_one, moments


def _digits(got: float, certified: float) -> float:
    """Correct digits: -log10 of the relative error (16 if equal)."""
    if got == certified:
        return 16.0
    return -math.log10(abs(got - certified) / abs(certified))


def _alternating(first: float, low: float, high: float) -> tuple[float, ...]:
    return (first, *(low, high) * 500)


# Certified: NIST Statistical Reference Datasets, univariate (r1 of Mavro and Lew from
# memory). Digits that a float program can reach at best: 9 on NumAcc3, 8 on NumAcc4.
CERTIFIED = [
    ("numacc1", 10_000_002.0, 1.0, -0.5, 14),
    ("numacc2", 1.2, 0.1, -0.999, 13),
    ("numacc3", 1_000_000.2, 0.1, -0.999, 9),
    ("numacc4", 10_000_000.2, 0.1, -0.999, 8),
    ("michelso", 299.852400000000, 0.0790105478190518, 0.535199668621283, 12),
    ("mavro", 2.00185600000000, 0.000429123454003053, 0.937989183438248, 10),
    ("lew", -177.435000000000, 277.332168044316, -0.307304800605679, 13),
    ("lottery", 518.958715596330, 291.699727470969, -0.120948622967393, 13),
]


def test_a_mean_that_no_float_holds() -> None:
    """Of 2^53 and 2^53 + 2 in turn the mean is no float; the deviation is exact nevertheless."""
    values = [2.0**53 + 2 * (n % 2) for n in range(20_000)]
    assert moments(values).deviation == pytest.approx(math.sqrt(20_000 / 19_999))


@pytest.fixture
def numacc1() -> tuple[float, ...]:
    return (10_000_001.0, 10_000_003.0, 10_000_002.0)


@pytest.fixture
def numacc2() -> tuple[float, ...]:
    return _alternating(1.2, 1.1, 1.3)


@pytest.fixture
def numacc3() -> tuple[float, ...]:
    return _alternating(1_000_000.2, 1_000_000.1, 1_000_000.3)


@pytest.fixture
def numacc4() -> tuple[float, ...]:
    return _alternating(10_000_000.2, 10_000_000.1, 10_000_000.3)


@pytest.mark.parametrize("row", CERTIFIED, ids=lambda row: str(row[0]))
def test_certified_sets(
    request: pytest.FixtureRequest, row: tuple[str, float, float, float, int]
) -> None:
    """Each certified data set comes out to the digits that its inputs allow."""
    name, mean, deviation, r1, digits = row
    values = request.getfixturevalue(name)
    found = moments(values)
    assert found.count == len(values)
    assert _digits(found.mean, mean) >= 13
    assert _digits(found.deviation, deviation) >= digits
    assert _digits(lag_one(values), r1) >= min(digits, 8)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([], "has no value"),
        ([21.0], "has one value"),
        ([21.0, math.nan], "value 2 of the lot is nan"),
        ([math.inf, 1.0], "value 1 of the lot is inf"),
    ],
)
def test_useless_samples_are_refused(values: list[float], said: str) -> None:
    """Nothing, one value and what is no number are told in one sentence."""
    with pytest.raises(UsageError, match=said):
        checked(values, what="the lot")


@given(st.lists(st.integers(-1000, 1000), min_size=2), st.integers(-(10**9), 10**9))
def test_a_shift_moves_the_mean_alone(values: list[int], shift: int) -> None:
    """Adding a constant to whole numbers leaves the deviation as it was, to the last bit."""
    before = moments([float(v) for v in values])
    after = moments([float(v + shift) for v in values])
    assert after.deviation == before.deviation


def test_equal_values_have_no_correlation() -> None:
    """A sample without spread has correlation 0 instead of a division by zero."""
    assert lag_one([3.0, 3.0, 3.0]) == 0.0


def test_many_values_lose_no_digits() -> None:
    """NumAcc4's numbers, a hundred times over: deviation as exact fractions give it."""
    values = [10000000.2, *[10000000.1, 10000000.3] * 50_000]
    assert moments(values).deviation == pytest.approx(
        statistics.stdev(values), rel=1e-12
    )
