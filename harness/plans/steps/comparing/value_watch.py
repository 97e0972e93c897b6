"""Which of a device's values moved: several quantities read round after round.

Where a ``repeat`` reads two or more quantities of a device, a value that moves in one
round and is back in the next is held against the others of the same rounds: did they
stay, or move with it? A note with the readings says so; no verdict depends on it.

When a value moved. Let ``x`` be its readings, ``k`` the round, ``o`` the smaller of its
distances from the rounds before and behind if both go one way, else 0. With equal normal
noise of deviation s on any straight course ``o`` is at most the size of
``x[k] - (x[k-1] + x[k+1]) / 2``, which has variance 1.5 s^2. The differences of earlier
pairs of rounds that share no reading have variance 2 s^2, and any slope only makes them
larger. So ``o`` over their root mean square is beyond the quantile of Student's t with as
many degrees of freedom as there are pairs more seldom than that quantile says. Readings
in steps of q move ``o`` and each difference by at most q: ``o`` must be beyond
``q + t (rms + q)``. The smallest difference that the readings have shown is at least q;
a value that never changed before shows no q, and nothing is said of it.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from harness.digits import plain_text
from harness.lazy import STATISTICS, is_installed, special
from harness.plans.schema.steps import Repeat, StepItem, Vary
from harness.plans.steps.context import Context
from harness.records import CheckResult, Measurement, Outcome

_FALSE_NOTES = 0.001
"""Chance that a ``repeat`` has one note on values of which only noise moved."""

_LEAST = 3.29
"""Quantile of the normal distribution for that chance, both ways: Student's t lies beyond
it, so that most rounds are passed over without it."""

_ONLY_LOOK = frozenset({"read", "convert", "wait", "reset", "enumerate", "verify"})
"""Steps that change nothing that is read; beside another one the plan moves values."""

_KEPT = 4
"""The round that is judged, those beside it, and the one before that is learned from."""

_DIGITS = 9
"""A difference is rounded to so many: the rest is how numbers are stored."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One reading.

    Attributes:
        number: of the round, the same for all values that were read in it.
        told: of the round as the page counts it, rounds without a result left out.
        value: what was read.
        at_s: when.
    """

    number: int
    told: int
    value: float
    at_s: float


@dataclass(slots=True, eq=False)
class _Series:
    """One quantity of one device.

    Attributes:
        last: the newest readings.
        pairs: earlier pairs of rounds that share no reading.
        squares: sum of their squared differences.
        largest: largest difference of two rounds behind one another.
        step: smallest that is not 0; 0 if there was none.
        moved: the rounds last called.
    """

    name: str
    unit: str
    last: deque[_Reading] = field(default_factory=lambda: deque(maxlen=_KEPT))
    pairs: int = 0
    squares: float = 0.0
    largest: float = 0.0
    step: float = 0.0
    moved: deque[int] = field(default_factory=lambda: deque(maxlen=_KEPT))

    def around(self, number: int) -> tuple[_Reading, ...]:
        """The reading of a round between its neighbours; empty if one is missing."""
        found = tuple(r for r in self.last if abs(r.number - number) <= 1)
        return found if len(found) == 3 else ()

    def has_moved(self, number: int, level: float) -> bool:
        """True if noise explains this round only with less than such a chance."""
        readings = self.around(number)
        if not readings or not self.pairs or not self.step:
            return False
        before, here, behind = (r.value for r in readings)
        one, other = here - before, here - behind
        if one * other <= 0:
            return False
        rms = math.sqrt(self.squares / self.pairs) + self.step
        beyond = (min(abs(one), abs(other)) - self.step) / rms
        if beyond <= _LEAST or not is_installed(STATISTICS):
            return False
        return beyond > float(special.stdtrit(self.pairs, 1 - level / 2))

    def has_stayed(self, number: int) -> bool:
        """True if it moved no more than it had before."""
        readings = self.around(number)
        if not readings or not self.pairs:
            return False
        before, here, behind = (r.value for r in readings)
        most = max(abs(_difference(here, before)), abs(_difference(here, behind)))
        return most <= self.largest

    def learn(self, number: int) -> None:
        """Take in how a round differs from the one before it."""
        pair = [r.value for r in self.last if number - 1 <= r.number <= number]
        if len(pair) < 2 or not {number - 1, number}.isdisjoint(self.moved):
            return
        size = abs(_difference(pair[1], pair[0]))
        self.largest = max(self.largest, size)
        if size:
            self.step = min(self.step or size, size)
        if number % 2 == 0:
            self.pairs += 1
            self.squares += size * size

    def told(self, number: int) -> str:
        """Its reading between its neighbours, in words."""
        readings = self.around(number)
        before, here, behind = (plain_text(r.value, self.unit) for r in readings)
        return (
            f"{self.name} read {here} in round {readings[1].told}, between {before} and "
            f"{behind}"
        )


def _difference(one: float, other: float) -> float:
    return round(one - other, _DIGITS)


class ValueWatch:
    """The watch of one run.

    Args:
        context: of the run, with its plan.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._times = dict(_watched(context.plan.steps))
        self._done: Counter[tuple[str, str]] = Counter()
        self._told: Counter[tuple[str, str]] = Counter()
        self._devices: dict[tuple[str, str], dict[str, _Series]] = {}

    def around(
        self, item: StepItem, results: Iterator[CheckResult]
    ) -> Iterator[CheckResult]:
        """The step's results, each with a note where a value moved in the round before."""
        if item.id not in self._times or item.read is None:
            yield from results
            return
        current = self._context.current
        key = (item.id, current.rom_code if current else "")
        self._done[key] += 1
        for result in results:
            yield self._noted(item, result, self._done[key])

    def _noted(self, item: StepItem, result: CheckResult, number: int) -> CheckResult:
        repeat, times = self._times[item.id]
        assert item.read is not None
        value = _value_of(item.read.quantity, result)
        if result.device is None:
            return result
        key = (item.id, result.device.rom_code)
        self._told[key] += 1
        if value is None:
            return result
        series = self._devices.setdefault((repeat, result.device.rom_code), {})
        own = series.setdefault(item.id, _Series(value.name, value.unit))
        now_s = self._context.clock.now_s()
        own.last.append(_Reading(number, self._told[key], float(value.value), now_s))
        if item.id != next(reversed(series)) or len(series) < 2:
            return result
        count = sum(
            len(each) for (of, _), each in self._devices.items() if of == repeat
        )
        note = _note(list(series.values()), number - 1, _FALSE_NOTES / (times * count))
        for each in series.values():
            each.learn(number - 2)
        return replace(result, notes=(*result.notes, note)) if note else result


def _watched(
    steps: Sequence[StepItem], repeat: StepItem | None = None
) -> Iterator[tuple[str, tuple[str, int]]]:
    """Steps whose rounds are alike: number, that of their ``repeat``, and how often."""
    for item in steps:
        body = item.body
        if isinstance(body, Vary):
            continue
        if isinstance(body, Repeat):
            only_look = {leaf.kind for leaf in item.leaves()} <= _ONLY_LOOK
            if repeat is None and only_look:
                yield from _watched(item.steps, item)
        elif item.steps:
            yield from _watched(item.steps, repeat)
        elif repeat is not None and repeat.repeat is not None:
            yield item.id, (repeat.id, repeat.repeat.times)


def _value_of(quantity: str, result: CheckResult) -> Measurement | None:
    """The reading of a result; None if it has none that is a number."""
    if result.outcome not in (Outcome.PASSED, Outcome.FAILED):
        return None
    for value in result.measurements:
        is_number = isinstance(value.value, int | float)
        if value.name == quantity and is_number and not isinstance(value.value, bool):
            return value
    return None


def _note(series: Sequence[_Series], number: int, level: float) -> str:
    """Which values of a device moved in a round, and which stayed; else empty."""
    if len({each.name for each in series}) < len(series):
        return ""
    moved = [each for each in series if each.has_moved(number, level)]
    for each in moved:
        each.moved.append(number)
    stayed = [
        each
        for each in series
        if each not in moved
        and each.has_stayed(number)
        and _beside(each, moved, number)
    ]
    if not moved or not all(_beside(each, moved, number) for each in moved):
        return ""
    told = "; ".join(each.told(number) for each in moved)
    if len(moved) == len(series):
        return (
            f"{told}: all values read of this device moved together "
            "and came back; look first at what they share, such as supply or a restart"
        )
    if len(moved) + len(stayed) < len(series):
        return ""
    names = ", ".join(each.name for each in stayed)
    return (
        f"{told}: moved and came back, while {names} of the same "
        "round moved no more than before"
    )


def _beside(series: _Series, moved: Sequence[_Series], number: int) -> bool:
    """True if its reading of a round lies in time between the neighbours of each other's."""
    own = series.around(number)
    return all(
        first.at_s < own[1].at_s < last.at_s
        for first, _, last in (each.around(number) for each in moved)
    )
