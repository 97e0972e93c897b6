"""What a soak writes to the journal: one record an event, read back by the same form.

The step fills them, ``results.soak.record`` adds them up. Times in seconds; those of a
gap count from the start of the step.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AliasChoices, Field

from harness.journal_form import JournalForm
from harness.records import DeviceRef, Measurement

USUAL_RATE = 1e-3
USUAL_CONFIDENCE = 0.95
"""Where a plan claims nothing (common practice, no source)."""


class SoakCount(StrEnum):
    """Name of what is counted of a device, or of the bus.

    Beside these stands one for each kind of error, see ``ERROR``.
    """

    READINGS = "readings"
    """Readings taken; not among the counts of a line, which has the readings."""
    FAILED = "failed"
    """Attempts that line or device spoilt; of the bus, common starts."""
    SPOILT = "spoilt"
    """Attempts that the adapter spoilt, without those in its absence."""
    RETRIES = "retries"
    LOST = "lost"
    """Readings that failed in all their attempts."""
    LOST_TOGETHER = "lost_together"
    """Of these, the ones in rounds in which every device lost its reading."""
    INVALID = "void"
    """Readings given up because of the adapter; the journal keeps its first word."""
    OUT_OF_LIMITS = "out_of_limits"
    STARTS = "starts"
    """Of the bus: common starts that say something of line or devices."""
    LATE = "late"
    """Of the bus: rounds that took longer than planned."""


ERROR = "error "
"""Before the kind of an error in the name of its count."""

OUT_OF_LIMITS = "limit"
"""Kind of the error of a reading that missed a limit."""

Blame = Literal["bus", "adapter", "margin"]
"""What an error is attributed to: ``bus`` is line and devices; a margin that could not be
measured spoils no reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakOutlook:
    """What a soak can prove at best.

    Attributes:
        rounds: planned rounds; None if only the bus sets the pace.
        every_s: time from round to round.
        devices: how many are read; None if not known yet.
        rate: error rate that the plan wants proved, or one in a thousand.
        confidence: of each claim.
        wanted: True if the plan itself states the rate.
        journal_mb: most that the soak writes, megabytes.
        rounds_per_line: rounds that share one line of the journal.
        least_s_per_line: shortest time between two such lines.
    """

    rounds: int | None = None
    every_s: float = 0.0
    devices: int | None = None
    rate: float = USUAL_RATE
    confidence: float = USUAL_CONFIDENCE
    wanted: bool = False
    journal_mb: float = 0.0
    rounds_per_line: int = 1
    least_s_per_line: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakStarted:
    """The head of a soak: what it does, and what it can prove.

    Attributes:
        quantity: what is read.
        unit: of the readings; empty if they have none.
        low: lowest allowed reading, or None.
        high: highest allowed reading, or None.
        devices: which are read.
        outlook: what it can prove.
        sentences: the same in words; ``told`` in journals of earlier versions.
        claim_of: ``bus`` or ``each-device``, whose error rate the plan claims; or None.
        events_within_s: time after an event of the event file in which an error follows it.
    """

    quantity: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    devices: tuple[DeviceRef, ...] = ()
    outlook: SoakOutlook = field(default_factory=SoakOutlook)
    sentences: Annotated[
        tuple[str, ...], Field(validation_alias=AliasChoices("sentences", "told"))
    ] = ()
    claim_of: str | None = None
    events_within_s: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakResumed:
    """A soak goes on after a cut.

    Attributes:
        cycle: rounds that lie behind.
        elapsed_s: time under test that lies behind.
    """

    cycle: int
    elapsed_s: float = 0.0


class ReadingSpread(NamedTuple):
    """Readings of one device over several rounds; a list in the journal."""

    readings: int
    lowest: float
    mean: float
    highest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakProgress:
    """Rounds that are done, and what was counted in them.

    Attributes:
        cycle: number of the last of them, from 1.
        elapsed_s: time under test until its end; None if not stated.
        readings: of one round: ROM code and value.
        rounds: how many, where several share a line; else None.
        spread: of several rounds: ROM code and spread.
        counts: ROM code, or ``bus``, then name of the count and what it grew by.
    """

    cycle: int
    elapsed_s: float | None = None
    readings: dict[str, float] | None = None
    rounds: int | None = None
    spread: dict[str, ReadingSpread] | None = None
    counts: dict[str, dict[str, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakError:
    """One error at its time.

    Attributes:
        device: ROM code; None if it is not about one device.
        kind: of the error; ``OUT_OF_LIMITS`` of such a reading.
        message: in words.
        cycle: round in which it came; 0 if it belongs to none.
        blame: whose it is; None of a reading out of limits.
        evidence: frames and echoes, of the first so many.
    """

    device: str | None
    kind: str
    message: str = ""
    cycle: int = 0
    blame: Blame | None = None
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakHappening:
    """One line of the event file.

    Attributes:
        happened_at: calendar, ISO 8601.
        text: what.
    """

    happened_at: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakMargin(Measurement):
    """A timing value that was measured while the soak went on.

    Attributes:
        device: ROM code; None if it is about the line.
    """

    device: str | None

    @classmethod
    def of(cls, device: str | None, value: Measurement) -> SoakMargin:
        """A measured value as the margin of a device, or of the line."""
        known = {one.name: getattr(value, one.name) for one in fields(Measurement)}
        return cls(device=device, **known)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakStopped:
    """A soak that ended before its time.

    Attributes:
        why: in words.
        cycle: rounds that were done.
    """

    why: str
    cycle: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterGap:
    """The adapter was away, once or several times.

    Attributes:
        reason: in words.
        from_s: when the first gap began.
        to_s: when the last one ended.
        times: how many share the line; None of one gap with a line of its own.
        away_s: how long in all; None of one gap, which is as long as it lasted.
    """

    reason: str = ""
    from_s: float
    to_s: float
    times: int | None = None
    away_s: float | None = None

    @property
    def gaps(self) -> int:
        """How many gaps these are."""
        return 1 if self.times is None else self.times

    @property
    def length_s(self) -> float:
        """From the first one's begin to the last one's end."""
        return self.to_s - self.from_s

    @property
    def lost_s(self) -> float:
        """How long it was away in all."""
        return self.length_s if self.away_s is None else self.away_s


STARTED = JournalForm(SoakStarted, name="soak_started")
RESUMED = JournalForm(SoakResumed, name="soak_resumed")
PROGRESS = JournalForm(SoakProgress, name="soak_progress", sparing=True)
ERROR_LINE = JournalForm(SoakError, name="soak_error", sparing=True)
HAPPENING = JournalForm(SoakHappening, name="soak_event")
MARGIN = JournalForm(SoakMargin, name="soak_margin", sparing=True)
STOPPED = JournalForm(SoakStopped, name="soak_stopped")
GAP = JournalForm(AdapterGap, name="gap", sparing=True)
"""The forms are named after their events."""
