"""Guard bands: limits pulled in by what the measurement cannot know.

Sources: JCGM 100 (standard uncertainties), ILAC-G8:09/2019 (decision rules and their
risks), ISO 14253-1:2017 (guard of 0.83 U by default). U is the expanded uncertainty
for k = 2 throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.quality.moments import require_limits, require_positive

ISO_DEFAULT = 0.83
"""Guard over U that leaves less than 5 % risk of accepting a bad unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardedLimits:
    """Acceptance and rejection limits; None where the specification has none.

    Attributes:
        low: lower limit of the specification.
        high: upper limit of the specification.
        guard: how far they are moved, in the quantity's unit.
        expanded: U, k = 2, same unit.
    """

    low: float | None
    high: float | None
    guard: float
    expanded: float

    @property
    def accept_low(self) -> float | None:
        """From here up a unit is proved good."""
        return None if self.low is None else self.low + self.guard

    @property
    def accept_high(self) -> float | None:
        """Up to here a unit is proved good."""
        return None if self.high is None else self.high - self.guard

    def judge(self, value: float) -> Proof:
        """What a reading proves.

        Raises:
            UsageError: the value is no number.
        """
        if math.isnan(value):
            raise UsageError("a reading that is no number proves nothing")
        distances = []
        if self.low is not None:
            distances.append(value - self.low)
        if self.high is not None:
            distances.append(self.high - value)
        inside = min(distances)
        if inside >= self.guard:
            return Proof.GOOD
        return Proof.BAD if inside < -self.guard else Proof.OPEN


class Proof(StrEnum):
    """What a reading with its uncertainty proves."""

    GOOD = "proved inside"
    OPEN = "too near a limit to tell"
    BAD = "proved outside"


def guarded_limits(
    *,
    low: float | None,
    high: float | None,
    expanded: float,
    multiple: float = ISO_DEFAULT,
) -> GuardedLimits:
    """Limits pulled in by a multiple of the expanded uncertainty.

    Args:
        low: lower limit of the specification, or None.
        high: upper limit of the specification, or None.
        expanded: U, k = 2, zero or more.
        multiple: guard over U; 0 is simple acceptance.

    Raises:
        UsageError: bad limits, or a guard that leaves nothing to accept.
    """
    require_limits(low, high)
    if not (math.isfinite(expanded) and expanded >= 0 and multiple >= 0):
        raise UsageError("the uncertainty must be a number, zero or more")
    guard = expanded * multiple
    if low is not None and high is not None and 2 * guard >= high - low:
        raise UsageError(
            f"a guard of {guard:g} on both sides leaves nothing of {low:g} to {high:g}",
            hint="measure better, or widen the limits",
        )
    return GuardedLimits(low=low, high=high, guard=guard, expanded=expanded)


def uncertainty_ratio(*, low: float, high: float, expanded: float) -> float:
    """Width of the limits over twice U (TUR); four is the customary floor."""
    require_limits(low, high)
    return (high - low) / (2 * require_positive(expanded, what="the uncertainty"))
