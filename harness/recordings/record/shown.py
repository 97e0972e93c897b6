"""A recording in all: what is on the line, as plain records without slots and ticks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.families.kind_facts import NOT_AS_SHEET
from harness.recordings.record.quantity import Instant, LimitStanding


class TraceVerdict(StrEnum):
    """What a recording says in all."""

    WITHIN = "within limits"
    OUTSIDE = "outside limits or wrong"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalogFacts:
    """What volts show besides edges.

    Attributes:
        low_v: the main low level.
        high_v: the main high level.
        falls_below_v: the line counts as low from here down.
        rises_above_v: the line counts as high from here up.
        step_v: smallest difference between two samples; 0 if not known.
        from_fixture: True if the thresholds were given.
        from_receiver: True if they are those of a host's receiver.
    """

    low_v: float
    high_v: float
    falls_below_v: float
    rises_above_v: float
    step_v: float = 0.0
    from_fixture: bool = False
    from_receiver: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongAt:
    """Something wrong, and when it was, in seconds on the recording's clock.

    Attributes:
        at_s: when.
        what: one sentence.
        rom: the device that it is about, as its ROM code prints; empty if none is known.
    """

    at_s: float
    what: str
    rom: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """A transaction that a reset of another length ended within a byte.

    Attributes:
        at_s: when that reset began.
        reset_us: its low.
        own_reset_us: low of the reset that began the transaction.
    """

    at_s: float
    reset_us: float
    own_reset_us: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenDevice:
    """A device that the recording shows.

    Attributes:
        rom: its ROM code as it prints.
        use: how the code was seen first.
        transactions: number of transactions that address it alone.
        checks: CRCs of it that hold.
        socket: where the fixture expects it; empty if nowhere.
        notes: what its transactions say together.
    """

    rom: str
    use: str
    transactions: int = 0
    checks: int = 0
    socket: str = ""
    notes: tuple[str, ...] = ()

    @property
    def remarks(self) -> tuple[str, ...]:
        """The notes without those that are findings of a diagnosis."""
        return tuple(n for n in self.notes if not n.startswith(NOT_AS_SHEET))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTransaction:
    """A reset and what followed it, in words.

    Attributes:
        at_s: its first low.
        end_s: end of its last low.
        label: what it is in a word or two.
        head: how it begins: reset, ROM command, ROM code, bytes without a meaning.
        rom: ROM code of the one device that it addresses; empty if none.
        lines: what it says.
        notes: what a reader should know.
        wrong: what is wrong with it.
    """

    at_s: float
    end_s: float
    label: str
    head: str
    rom: str = ""
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotView:
    """The line around the worst value of a quantity.

    Attributes:
        quantity: its name.
        at_s: the instant of the value; all other times count from here.
        value: the worst value, nearest to a limit or farthest beyond it.
        unit: of the value.
        standing: verdict of the quantity.
        lows: start and end of each low of the line, in us.
    """

    quantity: str
    at_s: float
    value: float
    unit: str
    standing: LimitStanding
    lows: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFacts:
    """A recording in numbers.

    Attributes:
        recording: name of the file.
        channel: the channel that was read.
        others: channels that were not.
        notes: what a reader of the verdict should know.
        duration_s: from the first to the last time in the file.
        start_s: the first time in the file.
        edges: changes of level.
        interval_us: sampling interval, or the resolution of the times.
        doubt_us: half width of what is known of each time.
        analog: levels and thresholds, None where levels were recorded.
        resets: number of resets.
        answered: resets with a presence pulse.
        slots: number of slots.
        glitches: lows that cannot be slots.
        neithers: lows that are neither slot, reset nor presence.
        spikes: short highs within lows that were passed over.
        odd_lows: the first of the glitches and neithers, with their lengths in us.
        devices: devices seen.
        transaction_count: transactions.
        checks: CRCs that hold.
        wrong: the first things that are wrong.
        wrong_count: all of them.
        refused: the first stores that a device did not confirm.
        interruptions: the first transactions that another host's reset seems to end.
        reasons: why the recording cannot tell; empty if it can.
        verdict: in all.
        activity: slots and resets in each of equal stretches of the recording.
        stretch_s: length of such a stretch.
        active_from_s: when the first one begins.
    """

    recording: str
    channel: str
    others: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    duration_s: float
    start_s: float = 0.0
    edges: int
    interval_us: float
    doubt_us: float
    analog: AnalogFacts | None = None
    resets: int = 0
    answered: int = 0
    slots: int = 0
    glitches: int = 0
    neithers: int = 0
    spikes: int = 0
    odd_lows: tuple[Instant, ...] = ()
    devices: tuple[SeenDevice, ...] = ()
    transaction_count: int = 0
    checks: int = 0
    wrong: tuple[WrongAt, ...] = ()
    wrong_count: int = 0
    refused: tuple[WrongAt, ...] = ()
    interruptions: tuple[Interruption, ...] = ()
    reasons: tuple[str, ...] = ()
    verdict: TraceVerdict = TraceVerdict.WITHIN
    activity: tuple[int, ...] = ()
    stretch_s: float = 0.0
    active_from_s: float = 0.0
