"""Budgets against the worked example of EA-4/02 for a thermometer block."""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.quality.uncertainty import (
    Contribution,
    expanded_uncertainty,
    from_expanded,
    from_half_width,
)


def test_block_calibrator_at_180_degc() -> None:
    """EA-4/02 M, supplement S11: U is 0.33 K (k = 2), published rounded as 0.3 K.

    Figures of its budget, in kelvins, from memory: standard 15 mK, bridge 10 mK,
    drift +-40 mK, resolution +-50 mK, radial +-100 mK, axial +-250 mK, hysteresis
    +-50 mK, variation +-30 mK; standard uncertainty of the result 164 mK.
    """
    budget = [
        from_expanded("standard thermometer", 0.030, 2),
        Contribution(name="bridge", standard=0.010),
        from_half_width("drift", 0.040),
        from_half_width("resolution", 0.050),
        from_half_width("radial", 0.100),
        from_half_width("axial", 0.250),
        from_half_width("hysteresis", 0.050),
        from_half_width("variation", 0.030),
    ]
    assert [round(each.standard * 1e3) for each in budget] == [
        15, 10, 23, 29, 58, 144, 29, 17,
    ]  # fmt: skip
    assert expanded_uncertainty(budget) / 2 == pytest.approx(0.164, abs=5e-4)


def test_step_of_a_display() -> None:
    """JCGM 100, F.2.2.1: a step d gives the standard uncertainty 0.29 d."""
    assert from_half_width("step", 0.5).standard == pytest.approx(0.29, abs=2e-3)


def test_nothing_known_is_nothing() -> None:
    """An empty budget has no uncertainty."""
    assert expanded_uncertainty([]) == 0.0


def test_impossible_figures() -> None:
    """A negative width or U is refused with the name of the line."""
    with pytest.raises(UsageError, match="drift"):
        from_half_width("drift", -0.1)
    with pytest.raises(UsageError, match="certificate"):
        from_expanded("certificate", -0.1, 2)
