"""One line of a budget: a value, its limits, and where both come from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

TIGHT_MARGIN = 0.1
"""Relative margin below which a row that holds is called tight."""


class RowVerdict(StrEnum):
    """What a row says about the bus."""

    HOLDS = "holds"
    TIGHT = "tight"
    BROKEN = "broken"
    CAUTION = "caution"
    STATED = "stated"

    @property
    def severity(self) -> int:
        """0 for a mere statement up to 4 for a broken limit."""
        return _SEVERITY[self]


_SEVERITY = {
    RowVerdict.STATED: 0,
    RowVerdict.HOLDS: 1,
    RowVerdict.TIGHT: 2,
    RowVerdict.CAUTION: 3,
    RowVerdict.BROKEN: 4,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One line of a budget.

    Attributes:
        group: heading (``edges``, ``levels``, ``power``, ``reach``).
        name: the quantity.
        value: as computed; infinite where something never happens.
        unit: of value and limits.
        low: smallest allowed, or None.
        high: largest allowed, or None.
        half_width: doubt about ``value`` by the tolerances of the circuit, or None.
        formula: how it was computed.
        source: of the formula or the limit.
        binding: False if the limit is guidance, whose breach is a caution.
    """

    group: str
    name: str
    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    half_width: float | None = None
    formula: str
    source: str
    binding: bool = True

    @property
    def margin(self) -> float | None:
        """Distance to the nearer limit as a share of it; None without limits.

        Against a limit of zero, or an infinite one, there is no share: then zero right
        at it, else infinite.
        """
        sides = []
        for limit, sign in ((self.low, 1.0), (self.high, -1.0)):
            if limit is None:
                continue
            gap = sign * (self.value - limit)
            if limit == 0 or math.isinf(limit):
                sides.append(math.copysign(math.inf, gap) if gap else 0.0)
            else:
                sides.append(gap / abs(limit))
        return min(sides, default=None)

    @property
    def verdict(self) -> RowVerdict:
        """The judgement by the margin."""
        margin = self.margin
        if margin is None:
            return RowVerdict.STATED
        if math.isnan(margin) or margin < 0:
            return RowVerdict.BROKEN if self.binding else RowVerdict.CAUTION
        return RowVerdict.TIGHT if margin < TIGHT_MARGIN else RowVerdict.HOLDS
