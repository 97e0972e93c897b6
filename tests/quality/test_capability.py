"""Capability indices against the handbook and exactly computed intervals."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.errors import UsageError
from harness.quality.capability import (
    capability,
    cp_interval,
    cpk_at_least,
    cpk_interval,
    fallout_ppm,
    indices,
    one_limit_at_least,
    percentile_index,
)


def test_the_handbooks_example() -> None:
    """Handbook 6.1.6: limits 8 and 20, mean 16, s 2; target 14 is our choice, value recomputed."""
    found = indices(mean=16, deviation=2, low=8, high=20, target=14)
    assert found.cp == pytest.approx(1.0)
    assert found.cpk == pytest.approx(0.6667, abs=5e-5)
    assert found.cpu == pytest.approx(0.6667, abs=5e-5)
    assert found.cpl == pytest.approx(1.3333, abs=5e-5)
    assert found.offset == pytest.approx(0.3333, abs=5e-5)
    assert found.cpm == pytest.approx(0.7071067812, abs=5e-11)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 1.5])
def test_a_confidence_that_is_none(confidence: float) -> None:
    """Certainty has no bound, nor has what lies beyond it."""
    for bound in (cp_interval, cpk_interval, cpk_at_least, one_limit_at_least):
        with pytest.raises(UsageError, match="the confidence"):
            bound(1.0, count=30, confidence=confidence)


# Recomputed from the handbook's formulas: n, interval of Cp 1.0, of Cpk 0.6667 and
# 1.3333, one-sided lower bound of Cpk 1.3333, the same exact with one limit.
Pair = tuple[float, float]
Row = tuple[int, Pair, Pair, Pair, float, float]
INTERVALS: list[Row] = [
    (30, (0.7439, 1.2556), (0.4577, 0.8756), (0.9701, 1.6966), 1.0285, 1.0242),
    (50, (0.8025, 1.1971), (0.5056, 0.8278), (1.0536, 1.6130), 1.0986, 1.0959),
    (100, (0.8608, 1.1389), (0.5531, 0.7802), (1.1365, 1.5302), 1.1681, 1.1667),
]


@pytest.mark.parametrize("row", INTERVALS, ids=lambda row: str(row[0]))
def test_intervals(row: Row) -> None:
    """Each cell of the table of intervals comes out to its printed digits."""
    count, cp, poor, good, lower, exact = row
    assert cp_interval(1.0, count=count) == pytest.approx(cp, abs=5.1e-5)
    assert cpk_interval(2 / 3, count=count) == pytest.approx(poor, abs=5.1e-5)
    assert cpk_interval(4 / 3, count=count) == pytest.approx(good, abs=5.1e-5)
    assert cpk_at_least(4 / 3, count=count) == pytest.approx(lower, abs=5.1e-5)
    assert one_limit_at_least(4 / 3, count=count) == pytest.approx(exact, abs=5.1e-5)


@pytest.mark.parametrize(
    ("cp", "ppm", "within"),
    [
        (1.0, 2699.8, 0.05),
        (1.33, 66.07, 0.005),
        (4 / 3, 63.34, 0.005),
        (1.5, 6.80, 0.005),
        (5 / 3, 0.573, 0.0005),
        (2.0, 0.00197, 5e-6),
    ],
)
def test_fallout(cp: float, ppm: float, within: float) -> None:
    """Share outside both limits of a centred normal process (recomputed)."""
    both = indices(mean=0, deviation=1, low=-3 * cp, high=3 * cp)
    one = indices(mean=0, deviation=1, low=None, high=3 * cp)
    assert fallout_ppm(both) == pytest.approx(ppm, abs=within)
    assert fallout_ppm(one) == pytest.approx(fallout_ppm(both) / 2)


def test_one_limit_has_no_width() -> None:
    """With one limit there is neither Cp nor an interval of it, and the bound is exact."""
    values = [20.0 + 0.1 * n for n in range(12)]
    found = capability(values, low=None, high=25.0)
    assert found.overall is not None
    assert found.overall.cp is None
    assert found.overall_interval is None
    assert found.worst_at_least == one_limit_at_least(found.overall.cpk, count=12)


def test_coarse_readings_have_no_index() -> None:
    """Four different values are a step and not a spread; five are judged."""
    four = capability([1.0, 2.0, 3.0, 4.0] * 5, low=0, high=9)
    five = capability([1.0, 2.0, 3.0, 4.0, 5.0] * 5, low=0, high=9)
    assert four.overall is None
    assert "only 4 different values" in four.why_not
    assert five.overall is not None
    assert five.why_not == ""


def test_neighbours_tell_drift_from_scatter() -> None:
    """A lot that only drifts has a far better Cpk within than its Ppk overall."""
    found = capability([0.1 * n for n in range(40)], low=-5, high=10, in_order=True)
    assert found.within is not None
    assert found.overall is not None
    # each moving range is 0.1: sigma is 0.1 sqrt(pi) / 2
    assert found.within.cpk == pytest.approx((1.95 + 5) / (0.3 * 0.886226925), rel=1e-6)
    assert found.within.cpk > 10 * found.overall.cpk


def test_a_skewed_lot_is_judged_by_percentiles_too() -> None:
    """Percentile indices stand beside the others for a lot that is not normal only."""
    even = [float(stats.norm.ppf((n + 0.5) / 100)) for n in range(100)]
    skewed = [float(stats.expon.ppf((n + 0.5) / 100)) for n in range(100)]
    assert capability(even, low=-5, high=5).percentiles is None
    found = capability(skewed, low=-1, high=5)
    assert found.percentiles is not None
    assert found.normal_p is not None
    assert found.normal_p < 0.01


def test_percentile_index_of_a_known_sample() -> None:
    """Of 0 to 1000 the percentiles are 1.35, 500 and 998.65, so the limits give 1 and 2."""
    values = [float(n) for n in range(1001)]
    index = percentile_index(values, low=500 - 2 * 498.65, high=998.65)
    assert index == pytest.approx(1.0)
    assert percentile_index([3.0, 3.0], low=0, high=9) is None


@given(
    st.floats(-50, 50),
    st.floats(0.01, 10),
    st.floats(-50, 50),
    st.floats(0.1, 50),
)
def test_the_offset_explains_the_worst_index(
    mean: float, deviation: float, low: float, width: float
) -> None:
    """Cpk is Cp times one minus the offset wherever the mean lies inside or not."""
    found = indices(mean=mean, deviation=deviation, low=low, high=low + width)
    assert found.cp is not None
    assert found.offset is not None
    assert found.cpk == pytest.approx(
        found.cp * (1 - found.offset), rel=1e-9, abs=1e-9 * (1 + 100 / deviation)
    )


def test_bad_limits_are_refused() -> None:
    """No limit, limits turned round and a spread of zero are told."""
    with pytest.raises(UsageError, match="no limit"):
        capability([1.0, 2.0], low=None, high=None)
    with pytest.raises(UsageError, match="not below"):
        indices(mean=1, deviation=1, low=3, high=2)
    with pytest.raises(UsageError, match="deviation is 0"):
        indices(mean=1, deviation=0, low=0, high=2)
    with pytest.raises(UsageError, match="finite"):
        indices(mean=1, deviation=1, low=float("nan"), high=2)
