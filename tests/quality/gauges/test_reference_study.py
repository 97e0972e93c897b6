"""A gauge against known values: indices, bias, linearity."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.quality.gauges.reference_study import (
    BiasVerdict,
    GoldenVerdict,
    bias_study,
    golden_check,
    linearity_study,
)


def _golden(bias: float) -> list[float]:
    """50 readings, deviation 0.02 to the last digits, mean 25 and the bias."""
    step = 0.02 * (49 / 50) ** 0.5
    return [25 + bias + step, 25 + bias - step] * 25


def test_golden_unit() -> None:
    """Tolerance 1, s 0.02, bias 0.01: Cg 1.6667, Cgk 1.5000 (formulas from memory)."""
    found = golden_check(_golden(0.01), reference=25, tolerance=1)
    assert found.cg == pytest.approx(1.6667, abs=5e-5)
    assert found.cgk == pytest.approx(1.5000, abs=5e-5)
    assert found.bias == pytest.approx(0.01)
    assert found.bias_low < 0.01 < found.bias_high
    assert found.cg_ends is not None
    assert found.cgk_ends is not None
    # 1.6667 sqrt(33.930 / 49) and sqrt(66.339 / 49): chi-square of 49, 5 and 95 %
    assert found.cg_ends == pytest.approx((1.3869, 1.9393), abs=5e-4)
    # noncentral t, as the table of lower bounds in tests of capability
    assert found.cgk_ends[0] < 1.33 < found.cgk_ends[1]
    assert found.verdict is GoldenVerdict.UNDECIDED
    better = golden_check(_golden(0.0), reference=25, tolerance=1)
    assert better.verdict is GoldenVerdict.GOOD


def test_a_golden_unit_in_another_unit() -> None:
    """Cg and Cgk have no unit: degrees or millikelvins, tolerance 1 or 1000, are one."""
    degrees = golden_check(_golden(0.01), reference=25, tolerance=1)
    milli = [1000 * value for value in _golden(0.01)]
    found = golden_check(milli, reference=25_000, tolerance=1000)
    assert found.cg == pytest.approx(degrees.cg)
    assert found.cgk == pytest.approx(degrees.cgk)
    assert found.bias == pytest.approx(1000 * degrees.bias)


@pytest.mark.slow
@pytest.mark.parametrize("bias", [0.0, 0.05])
def test_a_golden_unit_at_the_margin(bias: float) -> None:
    """Cgk exactly 1.33: at most 5 % of 2,000 gauges are called good (3 errors)."""
    chance = np.random.default_rng(12)
    deviation = (0.1 - bias) / (3 * 1.33)
    good = 0
    for _ in range(2000):
        values = (25 + bias + deviation * chance.normal(size=50)).tolist()
        good += golden_check(values, reference=25, tolerance=1).holds
    assert good <= 2000 * (0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5)


def test_a_biased_gauge_does_not_hold() -> None:
    """The same scatter with more bias fails by Cgk alone."""
    found = golden_check(_golden(0.03), reference=25, tolerance=1)
    assert found.cg is not None
    assert found.cg > found.wanted
    assert found.verdict is GoldenVerdict.UNDECIDED
    worse = golden_check(_golden(0.06), reference=25, tolerance=1)
    assert worse.verdict is GoldenVerdict.NOT_GOOD


@pytest.mark.parametrize(("value", "holds"), [(25.1, True), (25.3, False)])
def test_a_golden_unit_that_always_reads_the_same(value: float, holds: bool) -> None:
    """Without scatter there is no index; the bias against a tenth of the tolerance decides."""
    found = golden_check([value] * 30, reference=25, tolerance=2)
    assert found.cg is None
    assert found.holds is holds


# AIAG, Measurement Systems Analysis, bias example: 15 readings, reference 6.00 (from memory)
_BIAS = (5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1, 6.2, 5.6, 6.0)


@pytest.mark.parametrize(
    ("margin", "verdict"),
    [(0.2, BiasVerdict.WITHIN), (0.05, BiasVerdict.UNDECIDED)],
)
def test_bias(margin: float, verdict: BiasVerdict) -> None:
    """Mean 6.0067, bias 0.0067, no bias shown; shown to be small only within 0.2."""
    found = bias_study(_BIAS, reference=6.0, margin=margin)
    assert found.readings.mean == pytest.approx(6.0067, abs=5e-5)
    assert found.bias == pytest.approx(0.0067, abs=5e-5)
    assert found.p is not None
    assert found.p > 0.9
    assert found.low < 0 < found.high
    assert found.verdict is verdict


def test_levels_of_two_tests() -> None:
    """An interval of 1 - 2 alpha is there up to a level of one half, that excluded."""
    found = bias_study(_BIAS, reference=6.0, margin=0.2, alpha=0.49)
    assert found.high - found.low == pytest.approx(0.0, abs=0.01)
    with pytest.raises(UsageError, match="alpha"):
        bias_study(_BIAS, reference=6.0, margin=0.2, alpha=0.5)


def test_bias_outside() -> None:
    """A bias whose whole interval lies beyond the margin is told so, on either side."""
    for reference in (5.5, 6.5):
        found = bias_study(_BIAS, reference=reference, margin=0.2)
        assert found.verdict is BiasVerdict.OUTSIDE


# the same book's linearity example: five parts, twelve readings each (from memory)
_LINEARITY = {
    2.0: (2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4),
    4.0: (5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8),
    6.0: (5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1),
    8.0: (7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7),
    10.0: (9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4),
}


def test_linearity() -> None:
    """Slope -0.13167, intercept 0.73667, R squared 71.4 %, s 0.23954; the biases as printed."""
    readings = [(r, value) for r, values in _LINEARITY.items() for value in values]
    found = linearity_study(readings, margin=0.5)
    assert found.slope == pytest.approx(-0.13167, abs=5e-6)
    assert found.intercept == pytest.approx(0.73667, abs=5e-6)
    assert found.r_squared == pytest.approx(0.714, abs=5e-4)
    assert found.residual == pytest.approx(0.23954, abs=5e-6)
    assert found.slope_high < 0
    printed = (0.491667, 0.125, 0.025, -0.29167, -0.61667)
    assert [b.bias for b in found.biases] == pytest.approx(printed, abs=5e-6)
    assert found.verdict is BiasVerdict.OUTSIDE
    assert linearity_study(readings, margin=1.0).verdict is BiasVerdict.WITHIN


def test_what_is_no_linearity() -> None:
    """Two known values make any line."""
    with pytest.raises(UsageError, match="three known values"):
        linearity_study([(1.0, 1.0), (1.0, 1.1), (2.0, 2.0), (2.0, 2.1)], margin=1)
