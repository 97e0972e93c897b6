"""What is known about a bus, as plain numbers: the only thing that rules look at.

A part that is None was not probed. Histograms go from the graded echo (two hex
digits) to its count; a graded echo says when the line was released, a bit would not.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.evidence.kinds import FailedCheck, KindReading
from harness.diagnosis.evidence.probed import (
    AlarmFacts,
    LateFacts,
    LookFacts,
    ProbeNote,
)

Histogram = dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Echoes:
    """Single characters sent, and what came back.

    Attributes:
        sent: characters sent.
        silent: of these, without any echo.
        extra: characters that came back beyond those sent.
        followed: how many of those sent singly were followed by such.
        histogram: graded echoes.
    """

    sent: int
    silent: int = 0
    extra: int = 0
    followed: int = 0
    histogram: Histogram = field(default_factory=dict)

    @property
    def usual(self) -> str:
        """The most frequent echo, or an empty text."""
        return max(self.histogram, key=self.histogram.__getitem__, default="")

    def share(self, *echoes: str) -> float:
        """Share of these echoes in all that came back."""
        total = sum(self.histogram.values())
        return sum(self.histogram.get(e, 0) for e in echoes) / total if total else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterFacts:
    """Echo, round trips, rate and bursts of the adapter.

    Attributes:
        ones: FFh at the slot rate, one by one.
        slow_ones: FFh at 9600 baud, low for 104 us: no edge is too slow for it.
        zeros: 00h at the slot rate, one by one, each waited for.
        quiet_ones: FFh at the slot rate, likewise.
        fast_resets: C0h at the slot rate, likewise: the reset of a part in overdrive,
            with the position of its presence inside the character.
        fast_resets_after: the same after a reset of 694 us, which ends overdrive; none
            sent where nobody had pulled.
        round_trip_ms: median, 95 % and longest round trip; empty if nothing echoes.
        asked_baud: slot rate that the adapter should make.
        measured_baud: slot rate by the time of long bursts, or None.
        rate_doubt: relative uncertainty of that.
        bursts: burst length -> how many of how many came back whole.
        burst_missing: characters that these bursts lost.
        burst_extra: characters that came besides them.
        echo_without_supply: usual echo of FFh with the bus supply off, ``none`` for
            silence; None if the fixture cannot switch it.
        characters: character sent, two hex digits -> graded echoes, ``none`` for silence.
        boundaries: burst length around the ends of USB packets -> how many of how many
            came back whole at once.
        measured_reset_baud: rate of the resets by the time of bursts, or None.
        reset_rate_doubt: relative uncertainty of that.
    """

    ones: Echoes
    slow_ones: Echoes
    zeros: Echoes
    quiet_ones: Echoes = field(default_factory=lambda: Echoes(sent=0))
    fast_resets: Echoes = field(default_factory=lambda: Echoes(sent=0))
    fast_resets_after: Echoes = field(default_factory=lambda: Echoes(sent=0))
    round_trip_ms: tuple[float, float, float] | tuple[()] = ()
    asked_baud: float = 0.0
    measured_baud: float | None = None
    rate_doubt: float = 0.0
    bursts: dict[int, tuple[int, int]] = field(default_factory=dict)
    burst_missing: int = 0
    burst_extra: int = 0
    echo_without_supply: str | None = None
    characters: dict[str, Histogram] = field(default_factory=dict)
    boundaries: dict[int, tuple[int, int]] = field(default_factory=dict)
    measured_reset_baud: float | None = None
    reset_rate_doubt: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class IdleFacts:
    """Listening while nothing is sent.

    Attributes:
        for_s: how long.
        arrivals: when characters came (s on the port's clock), and how many.
        values: which characters; a pull of 60 us and more is 00h or 80h.
        after_sending: characters that came between bursts, beyond their echoes.
    """

    for_s: float
    arrivals: tuple[tuple[float, int], ...] = ()
    values: Histogram = field(default_factory=dict)
    after_sending: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ResetFacts:
    """Resets at one rate.

    Attributes:
        baud: rate of the reset character.
        byte: the character.
        low_us: length of the reset pulse.
        first_sample_us: first sample after the release.
        echoes: graded echoes.
    """

    baud: int
    byte: int
    low_us: float
    first_sample_us: float
    echoes: Echoes

    @property
    def silence(self) -> str:
        """The echo if nobody answers."""
        return f"{self.byte:02X}"

    @property
    def answered(self) -> float:
        """Share of resets in which somebody pulled the line afterwards."""
        total = sum(self.echoes.histogram.values())
        return 1 - self.echoes.share(self.silence) if total else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEvidence:
    """Edges of the line, taken with nobody addressed.

    Attributes:
        ones: FFh slots at 115200 baud.
        fine_ones: FFh slots at 230400 baud; None if the adapter does not make it.
        zeros: write-0 slots.
        rise_us: least and greatest rise to the receiver's threshold.
        crossing_us: when a device may still see the line low in a write-1 slot.
        answers_in_zeros: extra characters that followed write-0 slots.
        answers_after_long_reset: the same after a reset of 694 us; None if not tried.
    """

    ones: Echoes
    zeros: Echoes
    fine_ones: Echoes | None = None
    rise_us: tuple[float, float] = (0.0, 0.0)
    crossing_us: float = 0.0
    answers_in_zeros: int = 0
    answers_after_long_reset: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleStep:
    """One step of the sample ladder: FFh slots at one rate, nobody addressed.

    Attributes:
        baud: rate.
        sample_us: first sample after the release of the line.
        echoes: graded echoes.
    """

    baud: int
    sample_us: float
    echoes: Echoes


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFacts:
    """Searches over the whole bus.

    Attributes:
        scans: how many were tried.
        whole: how many came to an end.
        found: ROM code -> in how many scans.
        each: what each whole scan found, in time.
        last: what the last whole scan found.
        first: what the first whole scan found.
        rejected: codes that cannot be -> in how many scans.
        dead_ends: position -> how often a pass ended there.
        troubles: kind of error -> how often it ended a scan.
        disturbed_passes: passes given up because a written slot came back changed.
        passes: all passes.
        low_share: share of zeros among the read slots of scans that broke off.
    """

    scans: int
    whole: int
    found: dict[str, int] = field(default_factory=dict)
    first: tuple[str, ...] = ()
    last: tuple[str, ...] = ()
    each: tuple[tuple[str, ...], ...] = ()
    rejected: dict[str, int] = field(default_factory=dict)
    dead_ends: dict[int, int] = field(default_factory=dict)
    troubles: dict[str, int] = field(default_factory=dict)
    disturbed_passes: int = 0
    passes: int = 0
    low_share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """One conversion of one thermometer and the reading after it.

    Attributes:
        alone: False if all thermometers converted together.
        heard: busy was seen right after the command to this device; None where it cannot be
            seen, or the command was for all.
        took_ms: until busy ended, or None; of one alone only.
        value_degc: the reading, or None if there was no whole block.
        power_on: the block is the power-on block.
        marker_kept: the marker in the alarm bytes was still there; None if no block.
        trouble: kind of the error that came instead, or empty.
    """

    alone: bool
    heard: bool | None = None
    took_ms: float | None = None
    value_degc: float | None = None
    power_on: bool = False
    marker_kept: bool | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """A device's block read again and again with nothing changed in between.

    Attributes:
        reads: how many reads were tried.
        whole: check value, fixed bits right.
        check_wrong: check value wrong.
        zeros: all zero.
        ones: all FFh: nobody drives.
        broken_off: right at first, then ones to the end: the driver went away.
        slipped: check value right, and the good block moved by one bit.
        impossible: check value right, and no block of the family all the same.
        moved: check value right, and constants other than the device's own.
        constants: the device's own constants in hex: what most of its blocks that can be
            hold at those places.
        troubles: kind of error -> count, where no block was read.
        distinct_wrong: number of different wrong blocks.
        flips_up: bits that read 1 and are 0 in the good or most frequent block.
        flips_down: bits that read 0 and are 1 there.
        usual: the most frequent block in hex.
        bad_at_s: times of the bad reads.
    """

    reads: int = 0
    whole: int = 0
    check_wrong: int = 0
    zeros: int = 0
    ones: int = 0
    broken_off: int = 0
    slipped: int = 0
    impossible: int = 0
    moved: int = 0
    constants: str = ""
    troubles: dict[str, int] = field(default_factory=dict)
    distinct_wrong: int = 0
    flips_up: int = 0
    flips_down: int = 0
    usual: str = ""
    bad_at_s: tuple[float, ...] = ()

    @property
    def slots(self) -> tuple[int, int]:
        """Zeros and ones of the good block, over all reads that brought a block."""
        good = bytes.fromhex(self.usual)
        ones = sum(value.bit_count() for value in good)
        came = self.reads - sum(self.troubles.values())
        return (8 * len(good) - ones) * came, ones * came


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceFacts:
    """What one device did.

    Attributes:
        rom_code: in print form.
        socket: from the fixture, or empty.
        family: code.
        verified: directed searches that it answered.
        verifies: directed searches tried.
        verify_troubles: kind of error beside the device -> directed searches that it ended.
        lows_missed: those that missed single lows of it while it was in step (``searches``).
        zeros_lifted: those in which a zero that the host wrote came back high.
        answers_after_pause: whether it answered a search behind a customary reset and 6 ms.
        answers_long_reset: the same behind 694 or 833 us; both None if not tried.
        answers_overdrive: the same at overdrive speed; None where the adapter cannot.
        signals: whether it answered the alarm search behind a stretched reset, or None.
        supply_answers: single answers to the power query, 0 = fed from the data line.
        blocks: repeated reads before any conversion.
        blocks_after: repeated reads after the last one.
        conversions: in their order.
        settings_kept: False if settings went back between two reads; None if not tried.
        openings: how often the port was closed and opened again meanwhile.
        lost_at_openings: after how many of these settings had gone back.
        idle_looks: how often the marker was looked for after a pause without any work.
        idle_losses: after how many of these it was gone.
        longest_ms: longest published conversion at its resolution, or None.
        full_resolution: True if it converts to 12 bit.
        readings: quantities of its kind that can be asked for without changing anything.
        later: the watched ones among them, asked again as the examination went on.
        matches: how often this examination selected it by its ROM code.
    """

    rom_code: str
    family: int
    socket: str = ""
    verified: int = 0
    verifies: int = 0
    verify_troubles: dict[str, int] = field(default_factory=dict)
    lows_missed: int = 0
    zeros_lifted: int = 0
    answers_after_pause: bool | None = None
    answers_long_reset: bool | None = None
    answers_overdrive: bool | None = None
    signals: bool | None = None
    supply_answers: tuple[int, ...] = ()
    blocks: Blocks | None = None
    blocks_after: Blocks | None = None
    conversions: tuple[Conversion, ...] = ()
    settings_kept: bool | None = None
    openings: int = 0
    lost_at_openings: int = 0
    idle_looks: int = 0
    idle_losses: int = 0
    longest_ms: float | None = None
    full_resolution: bool = False
    readings: tuple[KindReading, ...] = ()
    later: tuple[KindReading, ...] = ()
    matches: int = 0

    @property
    def name(self) -> str:
        """Socket and ROM code."""
        return f"{self.socket} {self.rom_code}".strip()

    @property
    def unanswered(self) -> int:
        """Directed searches without an answer, while somebody or nobody else was there."""
        late = sum(self.verify_troubles.values()) - self.nobody_there
        return max(0, self.verifies - self.verified - late)

    @property
    def nobody_there(self) -> int:
        """Directed searches for it whose reset nobody at all answered."""
        return self.verify_troubles.get("no-presence", 0)

    def reading(self, quantity: str) -> KindReading | None:
        """What came of one quantity; None if it was not asked for."""
        return next((r for r in self.readings if r.quantity == quantity), None)

    @property
    def on_parasite(self) -> bool | None:
        """What most answers to the power query say; None if it was not asked."""
        if not self.supply_answers:
            return None
        return sum(self.supply_answers) * 2 < len(self.supply_answers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All that an examination found."""

    expected: Expected = field(default_factory=Expected)
    probes: tuple[ProbeNote, ...] = ()
    adapter: AdapterFacts | None = None
    idle: IdleFacts | None = None
    resets: tuple[ResetFacts, ...] = ()
    line: LineEvidence | None = None
    ladder: tuple[SampleStep, ...] = ()
    """The sample ladder; empty where no slot came back changed."""
    scans: ScanFacts | None = None
    devices: tuple[DeviceFacts, ...] = ()
    alarms: AlarmFacts | None = None
    failed: FailedCheck | None = None
    """The check that the examination shall explain; None if there was no plan."""
    inventory: dict[str, str] = field(default_factory=dict)
    """ROM code -> standing over the scans, see ``inventory.Standing``."""
    lost: int = 0
    """How often the adapter was gone."""
    clock_step_s: float | None = None
    """What the host's wall clock went beside its running time; None if not compared."""
    seen_low: bool = False
    """True if the last character heard before or in the first probe was low to its end and
    not sent so, as one is when a line goes low for good."""
    pulls: tuple[float, ...] = ()
    """When the line was pulled for long with nobody asked to: s since the beginning."""
    looks: LookFacts | None = None
    """Rounds of searches of each device; None where none was missed before."""
    late: LateFacts | None = None
    """Bursts that came back short, and those whose rest came later; None if not watched."""
    not_ready: str = ""
    """Why the adapter's self-check failed, if it did."""

    @property
    def silent(self) -> bool:
        """True if nothing that was sent came back at all."""
        return self.adapter is not None and self.adapter.ones.silent == (
            self.adapter.ones.sent
        )
