"""A gauge against known values: indices, bias, linearity."""

from __future__ import annotations

import pytest

from harness.quality.reference_study import golden_check


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
    assert found.holds


def test_a_biased_gauge_does_not_hold() -> None:
    """The same scatter with more bias fails by Cgk alone."""
    found = golden_check(_golden(0.03), reference=25, tolerance=1)
    assert found.cg is not None
    assert found.cg > found.wanted
    assert not found.holds


@pytest.mark.parametrize(("value", "holds"), [(25.1, True), (25.3, False)])
def test_a_golden_unit_that_always_reads_the_same(value: float, holds: bool) -> None:
    """Without scatter there is no index; the bias against a tenth of the tolerance decides."""
    found = golden_check([value] * 30, reference=25, tolerance=2)
    assert found.cg is None
    assert found.holds is holds
