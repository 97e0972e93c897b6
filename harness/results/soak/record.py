"""What the events of a soak add up to: counts, values over time, what happened when.

Folded line by line, in memory that a longer soak does not grow: values become bins of
time, of single errors and events the first so many are kept and all are counted. The
sum of the ``counts`` of all ``soak_progress`` lines is what was counted; an error line
after the last of them belongs to a round that was cut and is done again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from harness.records import Measurement
from harness.results.soak.events import (
    ERROR_LINE,
    GAP,
    HAPPENING,
    MARGIN,
    OUT_OF_LIMITS,
    PROGRESS,
    STARTED,
    STOPPED,
    SoakCount,
    SoakError,
    SoakProgress,
    SoakStarted,
)
from harness.results.soak.time import TestTime
from harness.results.soak.trace import ValueTrace

BUS = "bus"
"""Where a count belongs that is not about one device."""

KEPT_MARKS = 20_000
"""Single errors, and events, that are kept with their time."""

KEPT_GAPS = 1_000

_LONGEST_TEXT = 200
"""Characters of a message or an event that are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One error.

    Attributes:
        at_s: when, journal time in seconds.
        key: ROM code, or ``BUS``.
        kind: of the error.
        cycle: round in which it came.
        message: in words.
        blame: ``bus`` for line and devices, else ``adapter``, ``margin`` or ``limit``;
            ``cut`` in a round that was cut and is done again, which counts nothing.
    """

    at_s: float
    key: str
    kind: str
    cycle: int
    message: str = ""
    blame: str = "bus"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSpan:
    """A stretch of time with a meaning: a gap, or a moment with a text.

    Attributes:
        from_s: journal time in seconds.
        to_s: likewise.
        text: what it was.
    """

    from_s: float
    to_s: float
    text: str


@dataclass(slots=True)
class DeviceSoak:
    """One device over a soak.

    Attributes:
        label: socket and ROM code, or the ROM code alone.
        counts: by name, as ``soak_tally`` counts them, except ``readings``.
        total: sum of all readings.
        lowest: smallest reading, or None.
        highest: largest reading, or None.
        trace: readings over time.
        margins: timing values over time, by name; journal time in seconds.
        bounds: of each timing value what only bounds it: the first and the last such.
        limits: of each timing value, low and high.
    """

    label: str = ""
    counts: Counter[str] = field(default_factory=Counter)
    total: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    trace: ValueTrace = field(default_factory=ValueTrace)
    margins: dict[str, ValueTrace] = field(default_factory=dict)
    bounds: dict[str, tuple[Measurement, Measurement]] = field(default_factory=dict)
    limits: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)

    @property
    def asked(self) -> int:
        """Attempts that say something about line or device."""
        return self.counts[SoakCount.READINGS] + self.counts[SoakCount.FAILED]

    def take(
        self, at_s: float, count: int, low: float, mean: float, high: float
    ) -> None:
        """Readings of one line."""
        self.counts[SoakCount.READINGS] += count
        self.total += mean * count
        self.lowest = low if self.lowest is None else min(self.lowest, low)
        self.highest = high if self.highest is None else max(self.highest, high)
        self.trace.take(at_s, mean, count=count, lowest=low, highest=high)


class SoakRecord:
    """One soak step of a run, as far as the journal goes.

    Attributes:
        step: its number.
        head: what its start stated.
        started_s: journal time of its start, seconds.
        now_s: of its last event.
        started_at: calendar of its start, UTC.
        cycles: rounds counted.
        elapsed_s: time under test, gaps between two runs left out.
        tested: its rounds in time.
        devices: by ROM code.
        bus: counts that are not about one device.
        marks: single errors, the first ``KEPT_MARKS``.
        single_errors: single errors in the journal, all.
        gaps: adapter away, or the run itself.
        happened: events of the event file.
        asked_at: tries by hour of the day, UTC.
        stopped: why it ended early; empty if it did not.
        resumed: how often it was taken up again.
        done: True once its step is done.
        twice: rounds that stand in the journal twice, and are counted once.
    """

    def __init__(self, step: str, at_s: float, at: str) -> None:
        self.step = step
        self.head = SoakStarted(quantity="")
        self.started_s = at_s
        self.now_s = at_s
        self.started_at = _calendar(at)
        self.cycles = 0
        self.elapsed_s = 0.0
        self.tested = TestTime(at_s)
        self.devices: dict[str, DeviceSoak] = {}
        self.bus: Counter[str] = Counter()
        self.marks: list[Mark] = []
        self.single_errors = 0
        self.gaps: list[TimeSpan] = []
        self.gap_count = 0
        self.gap_s = 0.0
        self.happened: list[TimeSpan] = []
        self.asked_at: Counter[int] = Counter()
        self.stopped = ""
        self.resumed = 0
        self.done = False
        self.twice = 0

    def add(self, event: dict[str, Any]) -> None:
        """Take one event of this soak in.

        Raises:
            KeyError, TypeError, ValueError: it does not carry what it promises.
        """
        self.now_s = float(event.get("t_s", self.now_s))
        taker = {
            STARTED.name: self._take_start,
            PROGRESS.name: self._take_progress,
            ERROR_LINE.name: self._take_error,
            HAPPENING.name: self._take_event,
            MARGIN.name: self._take_margin,
            STOPPED.name: self._take_stop,
            GAP.name: self._take_gap,
        }.get(event["event"])
        if taker:
            taker(event)

    def calendar_of(self, at_s: float) -> datetime | None:
        """Date and time of a journal time, UTC."""
        if self.started_at is None:
            return None
        return self.started_at + timedelta(seconds=at_s - self.started_s)

    def label_of(self, key: str) -> str:
        """Socket and ROM code of a key, or ``bus``."""
        device = self.devices.get(key)
        return device.label if device and device.label else key

    def sum_of(self, name: SoakCount) -> int:
        """A count over all devices."""
        return sum(device.counts[name] for device in self.devices.values())

    @property
    def asked(self) -> int:
        """Attempts on the bus: of all devices, and common starts."""
        return self.bus[SoakCount.STARTS] + sum(d.asked for d in self.devices.values())

    @property
    def failed(self) -> int:
        """Attempts that line or device spoilt."""
        return self.bus[SoakCount.FAILED] + self.sum_of(SoakCount.FAILED)

    def _device(self, rom_code: str) -> DeviceSoak:
        return self.devices.setdefault(rom_code, DeviceSoak())

    def _take_start(self, event: dict[str, Any]) -> None:
        self.head = STARTED.read(event)
        for device in self.head.devices:
            self._device(device.rom_code).label = device.label

    def take_pause(self, event: dict[str, Any]) -> None:
        """The run goes on: what lies between is a gap, if this soak was not done."""
        if self.done:
            return
        self.resumed += 1
        to_s = float(event["t_s"])
        known = event.get("gap_s") is not None
        text = "the run was cut or ended, and taken up again"
        if not known:
            text += "; how long is not known, the calendar went backwards"
        self.gaps.append(TimeSpan(from_s=self.now_s, to_s=to_s, text=text))
        self.tested.pause(self.now_s, to_s)
        self.marks = [
            replace(mark, blame="cut") if mark.cycle > self.cycles else mark
            for mark in self.marks
        ]
        for device in self.devices.values():
            device.trace.begin_part()
            for margin in device.margins.values():
                margin.begin_part()

    def _take_progress(self, event: dict[str, Any]) -> None:
        done = PROGRESS.read(event)
        cycle, rounds = done.cycle, max(1, done.rounds or 1)
        if cycle - rounds < self.cycles:
            # two programs wrote at once, or a line was copied
            self.twice += min(rounds, self.cycles - (cycle - rounds))
            return
        self.tested.take(self.now_s, rounds)
        self.cycles = cycle
        self.elapsed_s = self.now_s - self.started_s
        if done.elapsed_s is not None:
            self.elapsed_s = done.elapsed_s
        asked = self._take_counts(done)
        at = _calendar(str(event.get("at", "")))
        if at is not None:
            self.asked_at[at.hour] += asked

    def _take_counts(self, done: SoakProgress) -> int:
        """Adds readings and counts of some rounds; returns how often devices were asked."""
        asked = 0
        for rom_code, value in (done.readings or {}).items():
            self._device(rom_code).take(self.now_s, 1, value, value, value)
            asked += 1
        for rom_code, spread in (done.spread or {}).items():
            self._device(rom_code).take(self.now_s, *spread)
            asked += spread.readings
        for key, counts in done.counts.items():
            target = self.bus if key == BUS else self._device(key).counts
            target.update(counts)
            asked += counts.get(SoakCount.FAILED, 0)
        return asked

    def _take_error(self, event: dict[str, Any]) -> None:
        self.single_errors += 1
        error = ERROR_LINE.read(event)
        if len(self.marks) < KEPT_MARKS:
            self.marks.append(
                Mark(
                    at_s=self.now_s,
                    key=error.device or BUS,
                    kind=error.kind,
                    cycle=error.cycle,
                    message=error.message[:_LONGEST_TEXT],
                    blame=_blame(error),
                )
            )

    def _take_event(self, event: dict[str, Any]) -> None:
        if len(self.happened) >= KEPT_MARKS:
            return
        line = HAPPENING.read(event)
        happened, written = _calendar(line.happened_at), _calendar(str(event.get("at")))
        if happened is not None and written is not None:
            at_s = self.now_s + (happened - written).total_seconds()
            self.happened.append(
                TimeSpan(from_s=at_s, to_s=at_s, text=line.text[:_LONGEST_TEXT])
            )

    def _take_margin(self, event: dict[str, Any]) -> None:
        margin = MARGIN.read(event)
        device = self._device(margin.device or BUS)
        name = f"{margin.name}, {margin.unit}"
        device.limits[name] = (margin.low, margin.high)
        trace = device.margins.setdefault(name, ValueTrace())
        if margin.bound is None:
            trace.take(self.now_s, float(margin.value))
            return
        # a bound is no point of a course: it moves with the rungs, not with the device
        bound = Measurement(name=name, value=margin.value, bound=margin.bound)
        device.bounds[name] = (device.bounds.get(name, (bound, bound))[0], bound)

    def _take_stop(self, event: dict[str, Any]) -> None:
        self.stopped = STOPPED.read(event).why

    def _take_gap(self, event: dict[str, Any]) -> None:
        gap = GAP.read(event)
        self.gap_count += gap.gaps
        self.gap_s += gap.lost_s
        if len(self.gaps) < KEPT_GAPS:
            # its line is written when it is over
            times = f", {gap.gaps} times" if gap.gaps > 1 else ""
            self.gaps.append(
                TimeSpan(
                    from_s=self.now_s - gap.length_s,
                    to_s=self.now_s,
                    text=f"{gap.reason}{times}",
                )
            )


def _blame(error: SoakError) -> str:
    if error.kind == OUT_OF_LIMITS:
        return OUT_OF_LIMITS
    return error.blame or "bus"


def _calendar(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


class SoakRecords:
    """The soaks of a run while its events come in."""

    def __init__(self) -> None:
        self._nights: list[SoakRecord] = []
        self._step = ""
        self._night: SoakRecord | None = None

    def add(self, event: dict[str, Any]) -> None:
        """Take one event in; those of no soak pass by.

        Raises:
            KeyError, TypeError, ValueError: it does not carry what it promises.
        """
        name = event["event"]
        if name == "step_started":
            self._step = str(event["step"]) if event.get("kind") == "soak" else ""
            self._night = None
        elif name == "step_done":
            if self._night is not None:
                self._night.done = True
            self._step, self._night = "", None
        elif name == "run_resumed":
            self._resume(event)
        elif self._step and (name == "gap" or name.startswith("soak_")):
            self._chosen(event).add(event)

    def _resume(self, event: dict[str, Any]) -> None:
        for soak in self._nights:
            if soak.step in (event.get("again") or ()):
                soak.done = False
            soak.take_pause(event)

    def _chosen(self, event: dict[str, Any]) -> SoakRecord:
        """The soak that an event belongs to."""
        name, still_open = event["event"], self._still_open()
        if name == "soak_resumed" and still_open is not None:
            self._night = still_open
        elif self._night is None or name == "soak_started":
            if name == "soak_started" and still_open and not still_open.cycles:
                self._nights.pop()  # cut before its first round was counted
            at_s, at = float(event.get("t_s", 0.0)), str(event.get("at"))
            self._night = SoakRecord(self._step, at_s, at)
            self._nights.append(self._night)
        return self._night

    def _still_open(self) -> SoakRecord | None:
        """The last one, if it is of this step and not done."""
        last = self._nights[-1] if self._nights else None
        return last if last and last.step == self._step and not last.done else None

    @property
    def soaks(self) -> tuple[SoakRecord, ...]:
        """Each soak, in the order of their starts."""
        return tuple(self._nights)
