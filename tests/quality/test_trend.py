"""A straight line tested in spite of serial correlation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from harness.errors import UsageError
from harness.quality.trend import FEWEST, trend
from tests.soak_nights import ar1

HOURS = np.arange(480) / 60


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.95])
def test_no_drift_where_there_is_none(phi: float) -> None:
    """Of 100 seeded AR(1) nights at a level of 5 %, no more drift than 5 % allow.

    The bound is the 99.9 % quantile of the binomial number for a true rate of 5 %;
    the textbook test calls 60 of 100 a drift at phi 0.9.
    """
    chance = np.random.default_rng(17)
    false = sum(
        found.p < 0.05
        for _ in range(100)
        if (found := trend(HOURS, ar1(chance, length=480, phi=phi))) is not None
    )
    assert false <= stats.binom.ppf(0.999, 100, 0.05)


@pytest.mark.parametrize(("phi", "change"), [(0.0, 1.0), (0.6, 3.0), (0.9, 8.0)])
def test_a_drift_is_found(phi: float, change: float) -> None:
    """A drift of so many standard deviations in a night is found in nearly all nights."""
    chance = np.random.default_rng(5)
    found = 0
    for _ in range(20):
        values = ar1(chance, length=480, phi=phi) + change * HOURS / HOURS[-1]
        line = trend(HOURS, values)
        assert line is not None
        found += line.p < 0.01 and abs(line.slope * 8 - change) < 3
    assert found >= 18


def test_textbook_slope() -> None:
    """The slope is that of ordinary least squares (scipy), for one part."""
    values = ar1(np.random.default_rng(3), length=480, phi=0.3) + HOURS
    found = trend(HOURS, values)
    assert found is not None
    assert found.slope == pytest.approx(stats.linregress(HOURS, values).slope)


def test_a_jump_between_two_parts_is_no_drift() -> None:
    """Each part has its own level; the same jump within one part would be a slope."""
    values = 0.1 * ar1(np.random.default_rng(8), length=480, phi=0) + 5 * (HOURS >= 4)
    parts = (HOURS >= 4).astype(int)
    apart, together = trend(HOURS, values, parts=parts), trend(HOURS, values)
    assert apart is not None
    assert together is not None
    assert apart.p > 0.01
    assert abs(apart.slope) < 0.02 < together.slope


def test_a_series_beside_explains_itself() -> None:
    """What follows another series does not drift."""
    beside = HOURS**2
    noise = 0.01 * ar1(np.random.default_rng(2), length=480, phi=0)
    alone = trend(HOURS, beside + noise)
    explained = trend(HOURS, beside + noise, beside=[beside])
    assert alone is not None
    assert explained is not None
    assert alone.p < 0.05 < explained.p


def test_ends() -> None:
    """Too few values and constant ones have no line; exact lines are beyond doubt."""
    assert trend(HOURS[: FEWEST - 1], HOURS[: FEWEST - 1]) is None
    assert trend(HOURS, np.full(480, 20.0)) is None
    exact = trend(HOURS, 20 + 0.5 * HOURS)
    assert exact is not None
    assert exact.p < 1e-9
    assert exact.slope == pytest.approx(0.5)
    with pytest.raises(UsageError, match="as many times"):
        trend(HOURS, HOURS[1:])
