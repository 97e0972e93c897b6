"""Sample sizes against the handbook and exactly computed ones."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.quality.unit_counts import (
    difference_power,
    equivalence_power,
    units_for_difference,
    units_for_equivalence,
)


@pytest.mark.parametrize(
    ("margin", "at_80", "at_90"),
    [(0.25, 275, 347), (0.5, 70, 88), (0.75, 32, 40), (1.0, 18, 23)],
)
def test_for_equivalence(margin: float, at_80: int, at_90: int) -> None:
    """Units in each lot, true difference zero (recomputed)."""
    assert units_for_equivalence(margin_sigmas=margin, power=0.8) == at_80
    assert units_for_equivalence(margin_sigmas=margin, power=0.9) == at_90


@pytest.mark.parametrize(
    ("shift", "at_80", "at_90"),
    [(0.2, 394, 527), (0.5, 64, 86), (0.8, 26, 34), (1.0, 17, 23)],
)
def test_for_a_difference(shift: float, at_80: int, at_90: int) -> None:
    """Units in each lot for a two-sided t test (recomputed)."""
    assert units_for_difference(shift_sigmas=shift, power=0.8) == at_80
    assert units_for_difference(shift_sigmas=shift, power=0.9) == at_90


def test_power_grows_with_units() -> None:
    """The number found reaches the power and one unit fewer does not."""
    count = units_for_equivalence(margin_sigmas=0.6)
    assert equivalence_power(count=count, margin_sigmas=0.6) >= 0.9
    assert equivalence_power(count=count - 1, margin_sigmas=0.6) < 0.9
    count = units_for_difference(shift_sigmas=0.6)
    assert difference_power(count=count, shift_sigmas=0.6) >= 0.9
    assert difference_power(count=count - 1, shift_sigmas=0.6) < 0.9


@pytest.mark.slow
def test_power_is_what_happens() -> None:
    """20 000 seeded pairs of equal lots of 23 are called equal as often as computed."""
    made = np.random.default_rng(3).normal(size=(2, 20_000, 23))
    gap = made[0].mean(axis=1) - made[1].mean(axis=1)
    spread = np.sqrt(made.var(axis=2, ddof=1).sum(axis=0) / 23)
    called = float((np.abs(gap) + 1.6802300 * spread < 1.0).mean())  # t .95 at 44
    assert called == pytest.approx(
        equivalence_power(count=23, margin_sigmas=1.0), abs=0.007
    )


def test_what_cannot_be_answered() -> None:
    """A lot of one, a power of 90 and a margin of nothing are refused."""
    with pytest.raises(UsageError, match="at least two units"):
        equivalence_power(count=1, margin_sigmas=1)
    with pytest.raises(UsageError, match="power is 90"):
        units_for_equivalence(margin_sigmas=1, power=90)
    with pytest.raises(UsageError, match="margin is 0"):
        units_for_equivalence(margin_sigmas=0)
    with pytest.raises(UsageError, match="more than 1000000 units"):
        units_for_equivalence(margin_sigmas=1e-4)
