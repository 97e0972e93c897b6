"""Two lots compared: the handbook's examples, certified data, what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from harness.errors import UsageError
from harness.quality.comparison import (
    MeanVerdict,
    equivalence,
    hedges_g,
    levene,
    mean_difference,
    pooled_t,
    shape_distance,
    spread_ratio,
    variance_ratio,
)
from harness.quality.moments import Moments, moments

US_CARS = Moments(count=249, mean=20.14458, deviation=6.41470)
JAPANESE_CARS = Moments(count=79, mean=30.48101, deviation=6.10771)


def test_autos_pooled() -> None:
    """Handbook 1.3.5.3, AUTO83B: t -12.62059, 326 degrees, pooled 6.34260, limit 1.9673."""
    t, degrees, deviation = pooled_t(US_CARS, JAPANESE_CARS)
    assert t == pytest.approx(-12.62059, abs=1e-5)
    assert degrees == 326
    assert deviation == pytest.approx(6.34260, abs=5e-6)
    assert special.stdtrit(degrees, 0.975) == pytest.approx(1.9672675, abs=5e-8)


def test_autos_welch() -> None:
    """The same without equal spreads (recomputed): t, degrees, error, interval."""
    found = mean_difference(US_CARS, JAPANESE_CARS)
    assert found.t == pytest.approx(-12.946268, abs=5e-7)
    assert found.degrees == pytest.approx(136.87499, abs=5e-6)
    assert found.error == pytest.approx(0.7984100, abs=5e-8)
    assert found.low == pytest.approx(-11.915244, abs=5e-7)
    assert found.high == pytest.approx(-8.757616, abs=5e-7)


# Handbook 7.3.1, assembly times (data from memory, values recomputed)
OLD = (32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42)
NEW = (36, 31, 30, 31, 34, 36, 29, 32, 31)


def test_unequal_sizes() -> None:
    """Handbook 7.3.1: t 2.2694 on 15.5325 degrees, two-sided p 0.03787948."""
    old, new = moments(OLD), moments(NEW)
    assert (old.mean, new.mean) == pytest.approx((36.0909, 32.2222), abs=5e-5)
    assert (old.deviation, new.deviation) == pytest.approx((4.9082, 2.5386), abs=5e-5)
    found = mean_difference(old, new)
    assert found.t == pytest.approx(2.26937313, abs=5e-9)
    assert found.degrees == pytest.approx(15.5325, abs=5e-5)
    assert found.p == pytest.approx(0.03787948, abs=5e-9)


def test_unequal_spreads() -> None:
    """Handbook 7.3.2 on the same data: F 3.7382 against 3.3472 at 95 % (recomputed)."""
    f, _, _, _ = variance_ratio(moments(OLD), moments(NEW))
    assert f == pytest.approx(3.7382, abs=5e-5)
    assert special.fdtri(10, 8, 0.95) == pytest.approx(3.3472, abs=5e-5)


def test_ceramics() -> None:
    """Handbook 1.3.5.9: F 1.123037 between 0.7756 and 1.2894, two-sided p 0.370383."""
    first = Moments(count=240, mean=0, deviation=65.54909)
    second = Moments(count=240, mean=0, deviation=61.85425)
    f, p, low, high = variance_ratio(first, second)
    assert f == pytest.approx(1.123037, abs=1e-6)
    assert p == pytest.approx(0.370383, abs=1e-6)
    # the page's critical values are the ends of the interval of a ratio of one
    assert f / high == pytest.approx(0.7755640, abs=1e-7)
    assert f / low == pytest.approx(1.2893844, abs=1e-7)


def test_gear(gear: list[tuple[float, ...]]) -> None:
    """Handbook 1.3.5.10, GEAR: W 1.705910, p 0.0991; ties move the sixth digit."""
    statistic, p = levene(*gear)
    assert statistic == pytest.approx(1.705910, abs=1e-5)
    assert statistic == pytest.approx(1.7059177, abs=5e-8)
    assert p == pytest.approx(0.0990830, abs=5e-8)


def test_halves_of_a_certified_set(michelso: tuple[float, ...]) -> None:
    """Michelso's first 50 against its last 50, every number (recomputed on certified data)."""
    halves = michelso[:50], michelso[50:]
    first, second = map(moments, halves)
    assert (first.mean, second.mean) == pytest.approx((299.8728, 299.8320), abs=5e-7)
    assert first.deviation == pytest.approx(0.09461070, abs=5e-9)
    assert second.deviation == pytest.approx(0.05303060, abs=5e-9)
    welch = mean_difference(first, second)
    assert welch.t == pytest.approx(2.65997898, abs=5e-9)
    assert welch.degrees == pytest.approx(77.02316, abs=5e-6)
    assert welch.p == pytest.approx(0.00950360, abs=5e-9)
    spread = spread_ratio(*halves)
    assert spread.f == pytest.approx(3.18293179, abs=5e-9)
    assert spread.f_p == pytest.approx(8.586696e-5, abs=5e-12)
    assert spread.levene == pytest.approx(10.96325375, abs=5e-9)
    assert spread.levene_p == pytest.approx(0.00130191, abs=5e-9)
    assert spread.low**2 < spread.f < spread.high**2
    distance, p = shape_distance(*halves)
    assert distance == pytest.approx(0.36)
    assert p == pytest.approx(0.00283498, abs=5e-9)
    assert hedges_g(first, second) == pytest.approx(0.527914, abs=5e-7)
    tost = equivalence(first, second, margin=0.05)
    assert (tost.t_low, tost.t_high) == pytest.approx((5.919757, -0.599799), abs=5e-7)
    assert tost.p == pytest.approx(0.27520029, abs=5e-9)
    assert (tost.low, tost.high) == pytest.approx((0.015263, 0.066337), abs=5e-7)
    assert tost.verdict is MeanVerdict.UNDECIDED


def test_published_equivalence() -> None:
    """Moery and Calin-Jageman 2016, study 2, as in Lakens's tutorial (values recomputed)."""
    found = equivalence(
        Moments(count=95, mean=5.25, deviation=0.95),
        Moments(count=89, mean=5.22, deviation=0.83),
        margin=0.42816969,
    )
    assert found.degrees == pytest.approx(181.13437, abs=5e-6)
    assert (found.t_low, found.t_high) == pytest.approx((3.48941, -3.03245), abs=5e-6)
    assert found.p == pytest.approx(0.001390901, abs=5e-10)
    assert (found.low, found.high) == pytest.approx((-0.187084, 0.247084), abs=5e-7)
    assert found.verdict is MeanVerdict.EQUAL


BASELINE = Moments(count=50, mean=25.01, deviation=0.11)


def test_sensors() -> None:
    """Lots of 50 thermometers within 0.10 degC (recomputed)."""
    found = equivalence(
        Moments(count=50, mean=25.03, deviation=0.12), BASELINE, margin=0.10
    )
    assert found.degrees == pytest.approx(97.2673, abs=5e-5)
    assert (found.t_low, found.t_high) == pytest.approx((5.21247, -3.47498), abs=5e-6)
    assert found.p == pytest.approx(0.000382374, abs=5e-10)
    assert (found.low, found.high) == pytest.approx((-0.01823, 0.05823), abs=5e-6)
    assert found.verdict is MeanVerdict.EQUAL


@pytest.mark.parametrize("mean", [25.51, 24.51])
def test_a_lot_beyond_the_margin_is_called_different(mean: float) -> None:
    """An interval altogether outside the margin is a verdict of its own, on either side."""
    found = equivalence(
        Moments(count=50, mean=mean, deviation=0.12), BASELINE, margin=0.10
    )
    assert found.verdict is MeanVerdict.DIFFERENT


@given(
    st.floats(-1, 1), st.floats(0.01, 1), st.floats(0.01, 1), st.floats(0.01, 1),
    st.integers(3, 200),
)  # fmt: skip
def test_equal_means_just_what_the_interval_says(
    shift: float, s1: float, s2: float, margin: float, count: int
) -> None:
    """Two one-sided tests pass exactly when the interval lies inside the margin."""
    found = equivalence(
        Moments(count=count, mean=shift, deviation=s1),
        Moments(count=count, mean=0, deviation=s2),
        margin=margin,
    )
    slack = min(margin - found.high, found.low + margin)
    if abs(slack) > 1e-9:
        assert (found.verdict is MeanVerdict.EQUAL) == (slack > 0)


@pytest.mark.slow
@given(st.lists(st.floats(-100, 100), min_size=3, max_size=30, unique=True))
def test_a_lot_against_itself(values: list[float]) -> None:
    """A lot differs from itself in nothing."""
    sample = moments(values)
    if sample.deviation < 1e-6:
        return
    assert mean_difference(sample, sample).p == pytest.approx(1)
    assert spread_ratio(values, values).ratio == 1
    assert shape_distance(values, values)[0] == 0


def test_two_values_show_no_spread() -> None:
    """Both are equally far from their median, so nothing can be shown of two such lots."""
    assert levene([1.0, 2.0], [1.0, 50.0]) == (0.0, 1.0)
    assert levene([1.0, 2.0, 4.0], [1.0, 50.0])[1] < 1.0


def test_lots_that_cannot_be_compared() -> None:
    """No spread, one lot alone and a margin of zero are refused."""
    flat = Moments(count=5, mean=1, deviation=0)
    with pytest.raises(UsageError, match="neither lot has any spread"):
        mean_difference(flat, flat)
    with pytest.raises(UsageError, match="spread of a lot is 0"):
        variance_ratio(flat, BASELINE)
    with pytest.raises(UsageError, match="at least two lots"):
        levene([1.0, 2.0])
    with pytest.raises(UsageError, match="no lot has any spread"):
        levene([1.0, 1.0], [2.0, 2.0])
    with pytest.raises(UsageError, match="margin is 0"):
        equivalence(BASELINE, BASELINE, margin=0)
    with pytest.raises(UsageError, match="margin is nan"):
        equivalence(BASELINE, BASELINE, margin=math.nan)
