"""Tolerance factors against the handbook, a textbook table and exact values."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from harness.errors import UsageError
from harness.quality.tolerance import (
    factor_howe,
    factor_one_sided,
    factor_two_sided,
    free_count,
    rank_at_least,
    tolerance_interval,
)

Factor = Callable[..., float]

# Exact factors, computed independently to three decimals.
# Columns: one-sided .90/.95 .95/.95 .99/.95 .99/.99, two-sided the same and .9973/.95
SHARES = [(0.90, 0.95), (0.95, 0.95), (0.99, 0.95), (0.99, 0.99), (0.9973, 0.95)]
EXACT = """
5 3.407 4.203 5.741 8.939 4.291 5.077 6.598 10.220 7.637
10 2.355 2.911 3.981 5.074 2.856 3.393 4.437 5.610 5.152
15 2.068 2.566 3.520 4.222 2.492 2.965 3.885 4.621 4.517
20 1.926 2.396 3.295 3.832 2.319 2.760 3.621 4.175 4.212
25 1.838 2.292 3.158 3.601 2.215 2.638 3.462 3.915 4.029
30 1.777 2.220 3.064 3.447 2.145 2.555 3.355 3.742 3.904
50 1.646 2.065 2.862 3.125 1.999 2.382 3.129 3.390 3.643
100 1.527 1.927 2.684 2.850 1.875 2.234 2.936 3.098 3.419
200 1.450 1.837 2.570 2.679 1.798 2.143 2.816 2.921 3.280
500 1.385 1.763 2.475 2.540 1.737 2.070 2.721 2.783 3.169
"""
CELLS = [
    (int(row.split()[0]), factor, share, float(cell))
    for row in EXACT.strip().splitlines()
    for (factor, share), cell in zip(
        [(factor_one_sided, share) for share in SHARES[:4]]
        + [(factor_two_sided, share) for share in SHARES],
        row.split()[1:],
        strict=True,
    )
]


@pytest.mark.parametrize(("count", "factor", "share", "cell"), CELLS)
def test_exact_factors(
    count: int, factor: Factor, share: tuple[float, float], cell: float
) -> None:
    """Every cell of the table of exact factors comes out to its printed digits."""
    got = factor(count=count, coverage=share[0], confidence=share[1])
    assert got == pytest.approx(cell, abs=5.1e-4)


@pytest.mark.parametrize(
    ("count", "cells"),
    [
        (5, (4.29, 5.08, 6.60)),
        (10, (2.86, 3.39, 4.44)),
        (20, (2.32, 2.76, 3.62)),
        (30, (2.15, 2.55, 3.35)),
    ],
)
def test_published_two_sided_factors(
    count: int, cells: tuple[float, float, float]
) -> None:
    """Berthouex and Brown, Statistics for Environmental Engineers, table 21.1, 95 %.

    The book cuts 2.145 up and 2.555 down, hence the half digit more.
    """
    for coverage, cell in zip((0.90, 0.95, 0.99), cells, strict=True):
        got = factor_two_sided(count=count, coverage=coverage, confidence=0.95)
        assert got == pytest.approx(cell, abs=0.0061)


def test_the_handbooks_example() -> None:
    """Handbook 7.2.6.3: n 43, 90 % with 99 %: Howe 2.2173; exact 2.2228252, 1.8739536."""
    howe, two, one = (
        factor(count=43, coverage=0.90, confidence=0.99)
        for factor in (factor_howe, factor_two_sided, factor_one_sided)
    )
    assert howe == pytest.approx(2.2173, abs=5e-5)
    assert howe == pytest.approx(2.2173159, abs=5e-8)
    assert two == pytest.approx(2.2228252, abs=5e-8)
    assert one == pytest.approx(1.8739536, abs=5e-8)
    # the page's two-sided interval, mean 97.070, s 0.0268
    reach = howe * 0.0268
    assert 97.070 - reach == pytest.approx(97.010576, abs=5e-7)
    assert 97.070 + reach == pytest.approx(97.129424, abs=5e-7)


@pytest.mark.parametrize(
    ("coverage", "confidence", "one", "two"),
    [
        (0.90, 0.95, 29, 46),
        (0.95, 0.95, 59, 93),
        (0.99, 0.95, 299, 473),
        (0.99, 0.99, 459, 662),
    ],
)
def test_counts_for_any_distribution(
    coverage: float, confidence: float, one: int, two: int
) -> None:
    """Wilks's smallest samples, one- and two-sided (recomputed)."""
    for two_sided, count in ((False, one), (True, two)):
        got = free_count(coverage=coverage, confidence=confidence, two_sided=two_sided)
        assert got == count


@given(
    st.integers(2, 400),
    st.floats(0.5, 0.999),
    st.floats(0.5, 0.999),
)
def test_one_sided_is_smaller_than_two_sided(
    count: int, coverage: float, confidence: float
) -> None:
    """A side left open never needs a larger factor, whatever is asked."""
    one, two = (
        factor(count=count, coverage=coverage, confidence=confidence)
        for factor in (factor_one_sided, factor_two_sided)
    )
    assert one < two


@pytest.mark.slow
def test_the_interval_keeps_its_promise() -> None:
    """Of 4000 seeded samples of 12, 90 % intervals cover 80 % in 90 % (3 errors of counting)."""
    made = np.random.default_rng(20_261).normal(size=(4000, 12))
    factor = factor_two_sided(count=12, coverage=0.8, confidence=0.9)
    means, reaches = made.mean(axis=1), factor * made.std(axis=1, ddof=1)
    covered = special.ndtr(means + reaches) - special.ndtr(means - reaches)
    kept = float((covered >= 0.8).mean())
    assert abs(kept - 0.9) < 3 * math.sqrt(0.9 * 0.1 / 4000)


@pytest.mark.parametrize(
    ("count", "error", "rank"),
    [
        # of 3 values the middle one is above the median as often as below it
        (3, 0.5, 2), (3, 0.4999, 3), (3, 0.5001, 2),
        # the lowest of 3 is above it in 1 case of 8, the highest below it in 1 of 8
        (3, 0.875, 1), (3, 0.125, 3), (3, 0.1249, None),
        (2, 0.75, 1), (2, 0.25, 2), (1, 0.5, 1), (1, 0.4999, None),
    ],
)  # fmt: skip
def test_ranks_above_a_median(count: int, error: float, rank: int | None) -> None:
    """A fair coin for each value, counted by hand: a chance that is exactly met will do."""
    assert rank_at_least(count, 0.5, error) == rank


def test_open_sides() -> None:
    """An interval that is open on a side has no number there, and the factor of one side."""
    values = (1.0, 2.0, 3.0, 4.0)
    below = tolerance_interval(values, side="below")
    above = tolerance_interval(values, side="above")
    assert below.low is None
    assert above.high is None
    assert above.low is not None
    assert below.high == pytest.approx(5.0 - above.low)
    assert below.factor == factor_one_sided(count=4, coverage=0.95, confidence=0.95)


def test_what_no_interval_can_be_made_of() -> None:
    """One value, a share of 95 and a side that is none are refused."""
    with pytest.raises(UsageError, match="one value"):
        tolerance_interval([1.0])
    with pytest.raises(UsageError, match="write 95 % as"):
        tolerance_interval([1.0, 2.0], coverage=95)
    with pytest.raises(UsageError, match="no side"):
        tolerance_interval([1.0, 2.0], side="left")
    with pytest.raises(UsageError, match="at least two"):
        factor_howe(count=1, coverage=0.9, confidence=0.9)
