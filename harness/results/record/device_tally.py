"""One device over all rounds of one step, in memory that does not grow.

A night's soak checks a device thousands of times: what is kept is the verdict that
counts with its values, how often each verdict came, and the extremes.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

from harness.records import (
    Attempt,
    CheckResult,
    DeviceRef,
    Measurement,
    Outcome,
)

KEPT_ATTEMPTS = 20
"""Attempts that did not pass: the first so many are kept in full, all are counted."""

_GRAVITY = {
    Outcome.SKIPPED: 0,  # one round left out does not spoil the others
    Outcome.PASSED: 1,
    Outcome.FAILED: 2,
    Outcome.ERROR: 3,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """One number measured in more than one round.

    Attributes:
        latest: the last round's measurement, with unit and limits.
        least: smallest value, in the unit of ``latest``.
        most: largest value, in the unit of ``latest``.
        count: rounds that brought a finite value.
    """

    latest: Measurement
    least: float
    most: float
    count: int

    @property
    def extremes(self) -> tuple[Measurement, Measurement]:
        """Minimum and maximum, each with the limits of the latest."""
        name = self.latest.name
        return (
            replace(self.latest, name=f"{name} least", value=self.least),
            replace(self.latest, name=f"{name} most", value=self.most),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceResult:
    """What a step found on one device (or on the bus) over all its rounds.

    Attributes:
        shown: the result that counts: the first of the gravest; of passed ones
            the latest.
        round: in which round ``shown`` came, from 1.
        counts: how many rounds ended with each outcome.
        attempts: attempts that did not pass and were repeated, over all rounds; at
            most ``KEPT_ATTEMPTS``, first first.
        retries: how many such tries there were in all.
        spreads: numbers measured in more than one round.
        duration_s: sum over the rounds, seconds on the port's clock.
        notes: what a reader must know of any round, each once; at most
            ``KEPT_ATTEMPTS``.
    """

    shown: CheckResult
    round: int
    counts: dict[Outcome, int]
    attempts: tuple[Attempt, ...]
    retries: int
    spreads: tuple[Spread, ...]
    duration_s: float
    notes: tuple[str, ...] = ()

    @classmethod
    def single(cls, result: CheckResult) -> DeviceResult:
        """One result of one round."""
        tally = DeviceTally()
        tally.add(result, round_=1)
        return tally.result()

    def overruled_by(self, result: CheckResult) -> DeviceResult:
        """The same, but ``result`` came after all rounds and is what counts."""
        counts = dict(self.counts)
        counts[result.outcome] = counts.get(result.outcome, 0) + 1
        return replace(self, shown=result, round=self.rounds + 1, counts=counts)

    @property
    def device(self) -> DeviceRef | None:
        """The device, None for the bus."""
        return self.shown.device

    @property
    def outcome(self) -> Outcome:
        """The verdict over all rounds."""
        return self.shown.outcome

    @property
    def rounds(self) -> int:
        """Rounds that brought a verdict."""
        return sum(self.counts.values())

    @property
    def tries(self) -> int:
        """Attempts of all rounds; a skipped round has none."""
        skipped = self.counts.get(Outcome.SKIPPED, 0)
        return self.rounds - skipped + self.retries

    @property
    def passed_after_retry(self) -> bool:
        """True if the pass needed at least one retry somewhere."""
        return self.outcome is Outcome.PASSED and self.retries > 0


@dataclass(slots=True)
class _Range:
    latest: Measurement
    least: float = math.inf
    most: float = -math.inf
    count: int = 0


class DeviceTally:
    """Collects the results of one device in one step."""

    def __init__(self) -> None:
        self._shown: CheckResult | None = None
        self._round = 0
        self._counts: Counter[Outcome] = Counter()
        self._attempts: list[Attempt] = []
        self._retries = 0
        self._ranges: dict[str, _Range] = {}
        self._duration_s = 0.0
        self._notes: dict[str, None] = {}

    def add(self, result: CheckResult, *, round_: int) -> None:
        """Take one result in.

        Args:
            result: of the device that this tally is for.
            round_: number of the round, from 1.
        """
        if self._shown is None or _replaces(result, self._shown):
            self._shown, self._round = result, round_
        self._counts[result.outcome] += 1
        self._retries += len(result.retries)
        room = KEPT_ATTEMPTS - len(self._attempts)
        self._attempts.extend(result.retries[:room])
        self._duration_s += result.duration_s
        for note in result.notes:
            if len(self._notes) < KEPT_ATTEMPTS:
                self._notes[note] = None
        for measurement in result.measurements:
            self._take(measurement)

    def result(self) -> DeviceResult:
        """What is known so far.

        Raises:
            ValueError: nothing was added yet.
        """
        if self._shown is None:
            raise ValueError("no result was added yet")
        return DeviceResult(
            shown=self._shown,
            round=self._round,
            counts=dict(self._counts),
            attempts=tuple(self._attempts),
            retries=self._retries,
            spreads=tuple(
                Spread(latest=r.latest, least=r.least, most=r.most, count=r.count)
                for r in self._ranges.values()
                if r.count > 1
            ),
            duration_s=self._duration_s,
            notes=tuple(self._notes),
        )

    def _take(self, measurement: Measurement) -> None:
        value = measurement.value
        if isinstance(value, str | bool) or not math.isfinite(value):
            return
        known = self._ranges.setdefault(measurement.name, _Range(latest=measurement))
        known.latest = measurement
        known.least = min(known.least, value)
        known.most = max(known.most, value)
        known.count += 1


def _replaces(new: CheckResult, old: CheckResult) -> bool:
    if _GRAVITY[new.outcome] != _GRAVITY[old.outcome]:
        return _GRAVITY[new.outcome] > _GRAVITY[old.outcome]
    return new.outcome is Outcome.PASSED
