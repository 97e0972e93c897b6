"""What steps that work with slots keep beside their verdicts, for tables and pictures.

The steps fill these records, and reports read them back from the journal. Times in
microseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.journal_form import JournalForm


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingFacts:
    """What a measured time does not carry itself.

    Attributes:
        blur_us: from nearly never to nearly always.
        probes: probe points that it took.
        basis: formula or assumption, for the reader.
        source: of the limits.
        thin: True if the uncertainty reaches the limit.
    """

    blur_us: float = 0.0
    probes: int = 0
    basis: str = ""
    source: str = ""
    thin: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedLow:
    """Slots at one low time.

    Attributes:
        asked_us: low time that the plan asks for.
        low_us: low time as the adapter makes it.
        slots: slots tried.
        wrong: of these, the ones that came back wrong.
    """

    asked_us: float
    low_us: float
    slots: int
    wrong: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LowNotMade:
    """A low time that the plan asks for and the adapter does not make.

    Attributes:
        asked_us: the low time.
        why: the reason, in words.
    """

    asked_us: float
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedRow:
    """Low times at one value of another axis.

    Attributes:
        value: of the other axis; None where there is none, or it was never set.
        points: low times that were tried.
        not_made: low times that were not.
        not_judged: why the row is shown only, in words; empty where it is judged.
    """

    value: float | None = None
    points: tuple[TriedLow, ...]
    not_made: tuple[LowNotMade, ...] = ()
    not_judged: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShmooGrid:
    """Low times against another axis.

    Attributes:
        slot: kind of slot.
        label: of the other axis.
        unit: of the other axis; empty if it has none.
        must_hold_us: shortest and longest low time at which every slot must be right.
        rows: in the order in which they were tried.
    """

    slot: str
    label: str
    unit: str = ""
    must_hold_us: tuple[float, float]
    rows: tuple[TriedRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StressRow:
    """Low times of one kind of slot.

    Attributes:
        must_hold_us: shortest and longest low time at which every slot must be right.
        points: low times that were tried.
        not_made: low times that were not.
    """

    must_hold_us: tuple[float, float]
    points: tuple[TriedLow, ...]
    not_made: tuple[LowNotMade, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesInUse:
    """Times of the frames that a run uses; None where a journal does not state one.

    Attributes:
        write_1_low_us: low of a write-1 or read slot.
        write_0_low_us: low of a write-0 slot.
        read_sample_us: from a read slot's falling edge to the adapter's sample.
        slot_us: a slot with its recovery.
        reset_low_us: low of the reset.
    """

    write_1_low_us: float | None = None
    write_0_low_us: float | None = None
    read_sample_us: float | None = None
    slot_us: float | None = None
    reset_low_us: float | None = None


TIMING = JournalForm(dict[str, TimingFacts], name="timing")
NOT_MEASURED = JournalForm(dict[str, str], name="not_measured")
"""By the name of the measured time; of what was not measured, the reason."""

SHMOO = JournalForm(ShmooGrid, name="shmoo")
STRESS = JournalForm(StressRow, name="evidence")
"""A stress keeps its row as the evidence itself."""

FRAMES = JournalForm(FramesInUse, name="frames")
"""Key among what the journal says of the adapter."""
