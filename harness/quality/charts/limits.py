"""Control charts: is the process the same all along?

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2. Run rules:
Western Electric, Statistical Quality Control Handbook (1956), rules 1 to 4; the four
more of Nelson, Journal of Quality Technology 16 (1984). A point on a line does not
count as beyond it. Limits come from a baseline and are then frozen.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.quality.capability import D2_OF_TWO
from harness.quality.moments import checked

FEW_FOR_LIMITS = 20
"""Limits from fewer points than this are rough (common practice: 20 to 25)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLimits:
    """Centre and three-sigma limits of a chart.

    Attributes:
        centre: middle line.
        low: lower limit.
        high: upper limit.
    """

    centre: float
    low: float
    high: float

    @property
    def sigma(self) -> float:
        """A third of the way from the middle to the upper limit."""
        return (self.high - self.centre) / 3


def individuals_limits(baseline: Sequence[float]) -> ChartLimits:
    """Limits for single values, from the mean moving range of a baseline.

    Raises:
        UsageError: fewer than two values.
    """
    numbers = checked(baseline, what="the baseline")
    centre = statistics.fmean(numbers)
    reach = 3 * mean_moving_range(numbers) / D2_OF_TWO
    return ChartLimits(centre=centre, low=centre - reach, high=centre + reach)


def mean_moving_range(values: Sequence[float]) -> float:
    """Mean distance of neighbours."""
    numbers = checked(values)
    return statistics.fmean(
        abs(numbers[n] - numbers[n - 1]) for n in range(1, len(numbers))
    )


class RuleSet(StrEnum):
    """Which run rules are on."""

    BEYOND_LIMITS = "beyond-limits"
    WESTERN_ELECTRIC = "western-electric"
    NELSON = "nelson"


def rule_set(name: str) -> RuleSet:
    """The set of run rules of a name.

    Raises:
        UsageError: there is none.
    """
    try:
        return RuleSet(name)
    except ValueError as exc:
        raise UsageError(
            f"there are no run rules {name!r}", hint=f"use {' or '.join(RuleSet)}"
        ) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A rule broken at a point.

    Attributes:
        place: of the point that completed it, from 0.
        rule: the rule in words.
    """

    place: int
    rule: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """Looks at the last ``window`` distances from the centre, in sigmas.

    Two of the first two points beyond a line are two of three: such a rule needs no
    whole window, only ``fewest`` points.
    """

    text: str
    window: int
    fewest: int
    broken: Callable[[Sequence[float]], bool]


def _some_beyond(count: int, sigmas: float) -> Callable[[Sequence[float]], bool]:
    def broken(last: Sequence[float]) -> bool:
        # the last point itself must be one of them, or an old signal would echo on
        return any(
            side * last[-1] > sigmas and sum(side * z > sigmas for z in last) >= count
            for side in (1, -1)
        )

    return broken


def _steady(last: Sequence[float]) -> bool:
    steps = [last[n] - last[n - 1] for n in range(1, len(last))]
    return all(step > 0 for step in steps) or all(step < 0 for step in steps)


def _alternating(last: Sequence[float]) -> bool:
    steps = [last[n] - last[n - 1] for n in range(1, len(last))]
    return all(steps[n] * steps[n - 1] < 0 for n in range(1, len(steps)))


def _zone(count: int, window: int, sigmas: float, text: str) -> _Rule:
    broken = _some_beyond(count, sigmas)
    return _Rule(text=text, window=window, fewest=count, broken=broken)


def _whole(window: int, text: str, broken: Callable[[Sequence[float]], bool]) -> _Rule:
    return _Rule(text=text, window=window, fewest=window, broken=broken)


_FIRST_THREE = (
    _zone(1, 1, 3, "1 point beyond 3 sigma"),
    _zone(2, 3, 2, "2 of 3 beyond 2 sigma, same side"),
    _zone(4, 5, 1, "4 of 5 beyond 1 sigma, same side"),
)
_RULES = {
    RuleSet.BEYOND_LIMITS: _FIRST_THREE[:1],
    RuleSet.WESTERN_ELECTRIC: (
        *_FIRST_THREE,
        _zone(8, 8, 0, "8 in a row on one side"),
    ),
    RuleSet.NELSON: (
        *_FIRST_THREE,
        _zone(9, 9, 0, "9 in a row on one side"),
        _whole(6, "6 steadily rising or falling", _steady),
        _whole(14, "14 alternating up and down", _alternating),
        _whole(15, "15 within 1 sigma", lambda last: all(abs(z) < 1 for z in last)),
        _whole(
            8,
            "8 with none within 1 sigma",
            lambda last: all(abs(z) > 1 for z in last),
        ),
    ),
}


def signals(
    values: Sequence[float],
    limits: ChartLimits,
    *,
    rules: RuleSet = RuleSet.WESTERN_ELECTRIC,
) -> tuple[Signal, ...]:
    """Every point at which a rule is broken, in order.

    With all four rules of Western Electric on, a process that does not change gives a
    false alarm every 92 points on average (Champ and Woodall 1987, from memory); with
    the first alone every 370.

    Raises:
        UsageError: the limits leave no room.
    """
    sigma = limits.sigma
    if sigma <= 0:
        raise UsageError(
            "the baseline does not scatter at all, so a chart has no limits",
            hint="use a baseline of real, different readings",
        )
    away = [(v - limits.centre) / sigma for v in checked(values, fewest=1)]
    return tuple(
        Signal(place=place, rule=rule)
        for place in range(len(away))
        for rule in rules_at(away, place, rules=rules)
    )


def rules_at(away: Sequence[float], place: int, *, rules: RuleSet) -> tuple[str, ...]:
    """Which rules a point completes, in words.

    Args:
        away: distances from the centre, sigmas, in the order of time.
        place: of the point, from 0.
        rules: which are on.
    """
    return tuple(
        rule.text
        for rule in _RULES[rules]
        if place + 1 >= rule.fewest
        and rule.broken(away[max(0, place + 1 - rule.window) : place + 1])
    )
