"""Ladders of probe points that an adapter can really make.

The synthesiser finds for each wanted instant the frame that comes nearest on the
adapter's own clock grid; here its answers become rungs. A rung's interval covers what
is not known about the instant: the clock's error and, for samples, the receiver's
grid of one tick, which always makes a sample later, never earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import inf

from harness.timing.edges import Rung
from harness.timing.spans import STANDARD_SPANS, Spans
from harness.wire.clock_grid import ClockGrid
from harness.wire.limits import STANDARD, SpeedLimits
from harness.wire.slots.frames import PULSE_BYTES
from harness.wire.slots.synthesis import (
    CannotMake,
    Made,
    Since,
    Terms,
    for_low,
    for_sample,
    read_terms,
    reset_terms,
)

Ladder = tuple["FrameRung", ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRung(Rung):
    """A rung made by one character.

    Attributes:
        byte: character to send.
        request_baud: rate to ask for.
        bit: echo bit that samples the line, for ladders of samples; else 0.
        bit_us: bit time achieved.
    """

    byte: int
    request_baud: int
    bit: int
    bit_us: float


@dataclass(frozen=True, kw_only=True)
class Clockwork:
    """The adapter's clock as far as it is known.

    Attributes:
        grid: which rates it makes, and its promised tolerance.
        error_ppm: how much faster it runs than it should; 0 if not measured.
        doubt_ppm: half width of what is not known about that.
        measured: True if it was held against the host's clock and that gave more than
            the chip's own tolerance.
    """

    grid: ClockGrid
    error_ppm: float
    doubt_ppm: float
    measured: bool = False

    @classmethod
    def of_grid(cls, grid: ClockGrid) -> Clockwork:
        """Before any measurement: the chip's own tolerance."""
        return cls(grid=grid, error_ppm=0.0, doubt_ppm=grid.tolerance_ppm)

    @property
    def scale(self) -> float:
        """True time over the time that the grid promises."""
        return 1 / (1 + self.error_ppm * 1e-6)

    @cached_property
    def known_grid(self) -> ClockGrid:
        """The grid with the doubt that is left as its tolerance, one stop bit."""
        return replace(self.grid, tolerance_ppm=self.doubt_ppm, stop_bits=(1,))

    def rung(self, made: Made, *, times: float = 1.0) -> FrameRung:
        """A synthesised frame as a rung; ``times`` its wanted time, for other spans."""
        time = made.sample or made.low
        middle_us, half_us = time.value_us * times, time.half_width_us * times
        return FrameRung(
            early_us=(middle_us - half_us) * self.scale,
            late_us=(middle_us + half_us) * self.scale,
            byte=made.frame.byte,
            request_baud=made.request_baud,
            bit=made.bit or 0,
            bit_us=made.frame.bit_us * self.scale,
        )


_ALONE = Terms(alone=True, stop_bits=(1,))


def _rising(rungs: Iterable[FrameRung]) -> Ladder:
    """In rising order, each once."""
    return tuple(sorted(set(rungs), key=lambda rung: rung.middle_us))


def _steps(from_us: float, to_us: float, step_us: float) -> list[float]:
    return [from_us + n * step_us for n in range(int((to_us - from_us) / step_us) + 1)]


def _nearest(
    make: Callable[[float], Made], clock: Clockwork, wanted_us: Iterable[float]
) -> Ladder:
    """The nearest frame to each wanted time, each once, in rising order.

    Where the grid is coarser than the steps, a coarse rung is better than none.
    """
    rungs = {}
    for at_us in wanted_us:
        try:
            made = make(at_us)
        except CannotMake:
            continue  # beyond what the limits let a frame reach
        rungs[made.request_baud, made.frame.byte, made.bit] = clock.rung(made)
    return _rising(rungs.values())


def _samples(
    clock: Clockwork, wanted_us: Iterable[float], terms: Terms, since: Since
) -> Ladder:
    def make(at_us: float) -> Made:
        return for_sample(
            at_us, clock.known_grid, terms=terms, since=since, within_us=inf
        )

    return _nearest(make, clock, wanted_us)


@lru_cache(maxsize=64)
def low_ladder(
    clock: Clockwork,
    from_us: float,
    to_us: float,
    step_us: float,
    zeros: tuple[int, ...] = (0, 1, 2),
) -> Ladder:
    """Low times of single characters; slot length does not matter for one alone.

    ``zeros`` are the characters to choose from, by their zero bits.
    """
    terms = replace(_ALONE, zeros=zeros)

    def make(low_us: float) -> Made:
        return for_low(low_us, clock.known_grid, terms=terms, within_us=inf)

    return _nearest(make, clock, _steps(from_us, to_us, step_us))


@lru_cache(maxsize=64)
def rise_ladder(
    clock: Clockwork, from_us: float, to_us: float, step_us: float
) -> Ladder:
    """Samples after the release of an FFh, for the rise of the line."""
    terms = replace(_ALONE, zeros=(0,), low_us_max=100.0)
    return _samples(clock, _steps(from_us, to_us, step_us), terms, "release")


@lru_cache(maxsize=64)
def read_ladder(
    clock: Clockwork,
    from_us: float,
    to_us: float,
    step_us: float,
    spans: Spans = STANDARD_SPANS,
) -> Ladder:
    """Samples of a read slot, counted from its falling edge."""
    shortest_us, longest_us = spans.read_bit_us
    terms = replace(
        read_terms(spans.limits),
        low_us_min=shortest_us,
        low_us_max=longest_us,
        stop_bits=(1,),
        # whatever follows, it is a round trip away
        alone=True,
    )
    return _samples(clock, _steps(from_us, to_us, step_us), terms, "edge")


def _legal_reset_low(
    clock: Clockwork, rung: FrameRung, limits: SpeedLimits = STANDARD
) -> bool:
    """True if the clock's doubt cannot push the low time over a reset limit."""
    low = limits.reset_low
    low_us = (1 + PULSE_BYTES.index(rung.byte)) * rung.bit_us
    doubt = clock.doubt_ppm * 1e-6
    return low.holds(low_us * (1 - doubt)) and low.holds(low_us * (1 + doubt))


@lru_cache(maxsize=64)
def presence_ladder(
    clock: Clockwork,
    from_us: float,
    to_us: float,
    step_us: float,
    limits: SpeedLimits = STANDARD,
) -> Ladder:
    """Samples after the release of a reset pulse within its limits."""
    terms = replace(reset_terms(limits), stop_bits=(1,), zeros=tuple(range(2, 8)))
    rungs = _samples(clock, _steps(from_us, to_us, step_us), terms, "release")
    return tuple(rung for rung in rungs if _legal_reset_low(clock, rung, limits))


_SLOW_ZERO_US = (62.0, 118.0)
"""Bit times at which FFh, one bit low, is a legal write-0."""


@lru_cache(maxsize=64)
def reset_high_ladder(
    clock: Clockwork, from_us: float, to_us: float, step_us: float
) -> Ladder:
    """Times from the release of a reset to the next falling edge, back to back.

    Only where FFh at the same rate is a legal write-0, so that slots can follow.
    """
    rungs = []
    for zeros in range(3, 8):
        share = (9 - zeros) / (1 + zeros)
        terms = replace(_ALONE, zeros=(zeros,))
        for step in range(int((to_us - from_us) / step_us) + 1):
            low_us = (from_us + step * step_us) / share
            try:
                made = for_low(low_us, clock.known_grid, terms=terms)
            except CannotMake:
                continue
            rung = clock.rung(made, times=share)
            if _SLOW_ZERO_US[0] <= rung.bit_us <= _SLOW_ZERO_US[1]:
                rungs.append(rung)
    return _rising(rung for rung in rungs if _legal_reset_low(clock, rung))


@lru_cache(maxsize=64)
def period_ladder(
    clock: Clockwork, from_us: float, to_us: float, step_us: float
) -> Ladder:
    """Times from one falling edge to the next of FFh characters back to back."""
    lows = low_ladder(clock, from_us / 10, to_us / 10, step_us / 10, (0,))
    return tuple(
        replace(rung, early_us=10 * rung.early_us, late_us=10 * rung.late_us)
        for rung in lows
    )


@lru_cache(maxsize=64)
def twin_ladder(
    clock: Clockwork,
    from_us: float,
    to_us: float,
    step_us: float,
    spans: Spans,
) -> Ladder:
    """Times from a character's falling edge to a second one inside it.

    All ones but for one zero at bit m - 1: low for one bit, high, and low again for one
    bit from m Tb on. With Tb a legal read low both are slots, nearer together than two
    characters can be.
    """
    shortest_us, longest_us = spans.read_bit_us
    terms = replace(_ALONE, zeros=(0,))
    rungs = []
    for apart in range(2, 9):
        for wanted_us in _steps(from_us, to_us, step_us):
            if not shortest_us <= wanted_us / apart <= longest_us:
                continue
            try:
                made = for_low(wanted_us / apart, clock.known_grid, terms=terms)
            except CannotMake:
                continue
            rung = clock.rung(made, times=apart)
            rungs.append(replace(rung, byte=0xFF ^ 1 << (apart - 1)))
    return _rising(rungs)
