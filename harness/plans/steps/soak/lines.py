"""What a soak writes to the journal, within the room that it stated beforehand.

``soak_progress`` carries what was counted since the one before it, so the sum of all of
them is the soak; where the room asks for it several rounds share a line. Every error
and every gap has a line of its own with its time while there is room; after that errors
are only counted, and the gaps between two lines of progress share one.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from harness.clock import Clock
from harness.journal_form import JournalForm
from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.estimate import Outlook, side_room_bytes
from harness.plans.steps.soak.tally import SoakCounts
from harness.results.soak.events import (
    ERROR_LINE,
    GAP,
    PROGRESS,
    AdapterGap,
    ReadingSpread,
    SoakError,
    SoakProgress,
)

T = TypeVar("T")

_STAMP_BYTES = 100
"""Name, calendar and time of a line."""

_AWAY = "adapter away"

_WITH_EVIDENCE = 200
"""Errors whose frames and echoes are kept; later ones are recorded by kind and message."""


@dataclass(slots=True)
class _Spread:
    count: int = 0
    total: float = 0.0
    lowest: float = 0.0
    highest: float = 0.0

    def take(self, value: float) -> None:
        self.lowest = min(self.lowest, value) if self.count else value
        self.highest = max(self.highest, value) if self.count else value
        self.count += 1
        self.total += value

    def closed(self) -> ReadingSpread:
        return ReadingSpread(
            readings=self.count,
            lowest=self.lowest,
            mean=round(self.total / self.count, 6),
            highest=self.highest,
        )


@dataclass(slots=True)
class _SharedGap:
    """Gaps that share a line.

    Attributes:
        from_s: when the first began, from the start of the step.
        to_s: when the last ended.
        times: how many.
        away_s: how long in all.
    """

    from_s: float
    to_s: float
    times: int = 0
    away_s: float = 0.0

    def closed(self) -> AdapterGap:
        return AdapterGap(
            reason=_AWAY,
            from_s=self.from_s,
            to_s=self.to_s,
            times=self.times,
            away_s=self.away_s,
        )

    def take(self, from_s: float, to_s: float) -> None:
        self.to_s = to_s
        self.times += 1
        self.away_s = round(self.away_s + to_s - from_s, 3)


class SoakLines:
    """Writes the lines of one soak.

    Args:
        note: records an event.
        clock: the port's clock.
        counts: what is counted; read, never written.
        body: the step.
        view: its outlook.
    """

    def __init__(
        self,
        note: Callable[..., None],
        clock: Clock,
        counts: SoakCounts,
        body: Soak,
        view: Outlook,
    ) -> None:
        self._note = note
        self._clock = clock
        self._counts = counts
        self._view = view
        self._room = side_room_bytes(body)
        self._errors = 0
        self._full = False
        self._spreads: dict[str, _Spread] = {}
        self._shared: _SharedGap | None = None
        self._written = counts.by_device()
        self._written_cycle = counts.cycles
        self._written_s = clock.now_s()

    def take(self, rom_code: str, value: float) -> None:
        """A reading of this round."""
        self._spreads.setdefault(rom_code, _Spread()).take(value)

    def round_done(self, elapsed_s: float) -> None:
        """The round is over; writes the line if it is due."""
        rounds = self._counts.cycles - self._written_cycle
        waited_s = self._clock.now_s() - self._written_s
        if (
            rounds >= self._view.rounds_per_line
            and waited_s >= self._view.least_s_per_line
        ):
            self.write(elapsed_s)

    def write(self, elapsed_s: float) -> None:
        """The line of all rounds since the one before; nothing if there was none."""
        if self._shared is not None:
            self.note(GAP, self._shared.closed())
            self._shared = None
        rounds = self._counts.cycles - self._written_cycle
        if not rounds:
            return
        progress = SoakProgress(
            cycle=self._counts.cycles,
            elapsed_s=round(elapsed_s, 3),
            counts=self._news(),
        )
        if rounds == 1:
            readings = {rom: spread.total for rom, spread in self._spreads.items()}
            progress = replace(progress, readings=readings)
        else:
            spreads = {rom: spread.closed() for rom, spread in self._spreads.items()}
            progress = replace(progress, rounds=rounds, spread=spreads)
        self.note(PROGRESS, progress)
        self._spreads = {}
        self._written_cycle = self._counts.cycles
        self._written_s = self._clock.now_s()

    def _news(self) -> dict[str, dict[str, int]]:
        """What the counts grew by since the last line."""
        now = self._counts.by_device()
        news = {}
        for place, counts in now.items():
            before = self._written.get(place, {})
            grown = {
                name: count - before.get(name, 0)
                for name, count in counts.items()
                if count != before.get(name, 0)
            }
            if grown:
                news[place] = grown
        self._written = now
        return news

    def note(self, form: JournalForm[T], record: T) -> None:
        """A line of the soak, whatever the room."""
        self._note(form.name, **form.written(record))

    def error(self, error: SoakError) -> None:
        """An error with its time; its evidence while it is one of the first."""
        self._errors += 1
        if self._errors > _WITH_EVIDENCE:
            error = replace(error, evidence={})
        self.beside(ERROR_LINE.name, **ERROR_LINE.written(error))

    def gap(self, from_s: float, to_s: float) -> None:
        """The adapter was away, in times from the start of the step."""
        from_s, to_s = round(from_s, 3), round(to_s, 3)
        if self._shared is None:
            gap = AdapterGap(reason=_AWAY, from_s=from_s, to_s=to_s)
            if self.beside(GAP.name, **GAP.written(gap)):
                return
            self._shared = _SharedGap(from_s=from_s, to_s=to_s)
        self._shared.take(from_s, to_s)

    def beside(self, event: str, **fields: Any) -> bool:  # noqa: ANN401 - plain facts
        """A line beside the progress, while there is room for such lines.

        Returns:
            Whether there was.
        """
        size = len(json.dumps(fields, default=str)) + _STAMP_BYTES
        if size <= self._room:
            self._room -= size
            self._note(event, **fields)
            return True
        if not self._full:
            self._full = True
            self._note(
                "note",
                text="the room for single errors, gaps, events and margins is used up: "
                "from here on they are counted and not reported one by one",
            )
        return False
