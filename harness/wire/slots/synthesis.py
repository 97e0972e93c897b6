"""The frame for a wanted low time or a wanted sample point.

Derivation
----------
A character of bit time Tb = 1/baud with k zero bits above the start bit, k = 0..8,
and s stop bits (1 or 2; a second one only adds high time) does, from the host's
falling edge on:

    line released          low(k)     = (1 + k) Tb
    end of the character   length(s)  = (9 + s) Tb
    high inside it         high(k, s) = (8 - k + s) Tb
    data bit i sampled     t(i)       = (i + 1.5) Tb,  i = 0..7
    the same from release  u(k, i)    = (i - k + 0.5) Tb,  i = k..7

So a low time L can be had nine times, at Tb = L / (1 + k). The nine differ in their
length and their sample points, and each meets another rate of the adapter's grid:
where one falls between two rates, another one hits. A sample point t can be had at
Tb = t / (i + 1.5) for eight bits i; the low time that comes with it must then lie
where the bus allows it (for a read slot k = 0: low = Tb, so Tb from 5 to 15 us and
t from 7.5 us with bit 0 to 127.5 us with bit 7). For a reset the low of 480 to 640 us
bounds Tb, and a first sample 30 us after release (k = 7) is the earliest of all: the
start of a presence pulse that begins sooner shows only by its end.

What is achieved, and how well it is known:

    grid       the divider makes only some rates. That error is known exactly: all
               values here are those of the rate got, never of the rate asked for.
    clock      the divider's clock is off by up to p ppm, and every time with it:
               half width value * p / 1e6. Low times, sample points and their
               distance scale alike, so ratios within a frame are free of it.
    receiver   it sees the falling edge on its own grid of n steps a bit, up to Tb/n
               late, and all samples of the character move with it: uniform from
               t(i) to t(i) + Tb/n. The middle is stated, with half width Tb/(2n)
               (n = 16: 0.27 us at 115200 baud, 4 us at 7800 baud). A threshold
               crossing late by the line's fall adds to it; that fall is the line's
               and not the frame's. The low time has no such term.

Both half widths are bounds, not deviations, and they add. Not covered, for lack of a
published figure: the few-nanosecond dither of a fractional divider.

Back to back a slot must last ``slot_us_min`` and leave ``recovery_us_min`` of high.
A frame too short for that is still good alone: an idle line is a legal pause. Such a
frame states the idle time that must follow it (``idle_us``), which over USB costs a
round trip each, so frames that need none win among those that are near enough. A
reset is sent alone anyway; there the frame that leaves the least doubt wins.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from harness.wire.clock_grid import ClockGrid
from harness.wire.rates import Rate, around
from harness.wire.slots.character import PULSE_BYTES, CannotMake, Frame
from harness.wire.slots.constraints import (
    OVERDRIVE_READ_SLOT,
    OVERDRIVE_RESET,
    OVERDRIVE_WRITE_SLOT,
    READ_SLOT,
    RESET,
    WRITE_SLOT,
    Terms,
    read_terms,
    reset_terms,
    write_terms,
)
from harness.wire.slots.frame_times import Made, Since, Time

__all__ = [
    "OVERDRIVE_READ_SLOT",
    "OVERDRIVE_RESET",
    "OVERDRIVE_WRITE_SLOT",
    "READ_SLOT",
    "RESET",
    "WRITE_SLOT",
    "CannotMake",
    "Made",
    "Since",
    "Terms",
    "Time",
    "for_low",
    "for_sample",
    "read_terms",
    "reset_terms",
    "sweep_low",
    "sweep_sample",
    "write_terms",
]

NEAR = 0.02
"""Share of the wanted time that the achieved one may be off unless another is given."""

_TIE = 5e-4
"""Share of the wanted time below which two errors count as equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shape:
    """A frame without its rate: zeros, the bit looked at, and its time in bits."""

    zeros: int
    bit: int | None
    bits: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    shape: _Shape
    rate: Rate
    stop_bits: int
    error_us: float
    idle_us: float

    @property
    def length_us(self) -> float:
        return (9 + self.stop_bits) * 1e6 / self.rate.baud


def _low_shapes(terms: Terms) -> tuple[_Shape, ...]:
    return tuple(_Shape(zeros=k, bit=None, bits=k + 1.0) for k in terms.zeros)


def _sample_shapes(terms: Terms, since: Since, grid: ClockGrid) -> tuple[_Shape, ...]:
    middle = 0.5 / grid.oversampling
    return tuple(
        _Shape(
            zeros=k,
            bit=bit,
            bits=bit + 1.5 + middle - (k + 1 if since == "release" else 0),
        )
        for k in terms.zeros
        for bit in range(k, 8)
    )


def _candidates(
    wanted_us: float, grid: ClockGrid, terms: Terms, shapes: tuple[_Shape, ...]
) -> Iterator[_Candidate]:
    stops = [s for s in terms.stop_bits if s in grid.stop_bits]
    for shape in shapes:
        for rate in around(grid, shape.bits * 1e6 / wanted_us):
            bit_us = 1e6 / rate.baud
            low_us = (1 + shape.zeros) * bit_us
            if shape.bit is not None and not (
                terms.low_us_min <= low_us + 1e-9 and low_us - 1e-9 <= terms.low_us_max
            ):
                continue
            for stop_bits in stops:
                short_us = max(
                    terms.slot_us_min - (9 + stop_bits) * bit_us,
                    terms.recovery_us_min - (8 - shape.zeros + stop_bits) * bit_us,
                )
                yield _Candidate(
                    shape=shape,
                    rate=rate,
                    stop_bits=stop_bits,
                    error_us=shape.bits * bit_us - wanted_us,
                    idle_us=short_us if short_us > 1e-9 else 0.0,
                )


def _rank(
    wanted_us: float, grid: ClockGrid, terms: Terms
) -> Callable[[_Candidate], tuple[bool, int, float]]:
    """Back to back first, then the least doubt about the wanted time, then speed."""

    def key(candidate: _Candidate) -> tuple[bool, int, float]:
        doubt_us = abs(candidate.error_us)
        if candidate.shape.bit is not None:
            doubt_us += 0.5e6 / candidate.rate.baud / grid.oversampling
        ties = round(doubt_us / (_TIE * wanted_us))
        costly = candidate.idle_us > 0 and not terms.alone
        return costly, ties, candidate.length_us + candidate.idle_us

    return key


def _made(
    candidate: _Candidate, wanted_us: float, grid: ClockGrid, since: Since
) -> Made:
    frame = Frame(
        byte=PULSE_BYTES[candidate.shape.zeros],
        baud=candidate.rate.baud,
        stop_bits=candidate.stop_bits,
        oversampling=grid.oversampling,
    )
    return Made(
        frame=frame,
        request_baud=candidate.rate.request_baud,
        wanted_us=wanted_us,
        low=Time(
            value_us=frame.low_us, clock_us=frame.low_us * grid.tolerance_ppm * 1e-6
        ),
        bit=candidate.shape.bit,
        since=since,
        idle_us=candidate.idle_us,
        tolerance_ppm=grid.tolerance_ppm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wish:
    """What is wanted: a low or a sample, when, how near, and the shapes that can."""

    what: str
    wanted_us: float
    within_us: float | None
    shapes: tuple[_Shape, ...]
    since: Since = "edge"


def _best(wish: _Wish, grid: ClockGrid, terms: Terms) -> Made:
    wanted_us, what = wish.wanted_us, f"{wish.what} of {wish.wanted_us:g} us"
    if not 0 < wanted_us < math.inf:
        raise CannotMake(f"{what} is no time")
    found = list(_candidates(wanted_us, grid, terms, wish.shapes))
    if not found:
        raise CannotMake(f"{what} cannot be made: {_reach(grid, terms, wish.shapes)}")
    within_us = NEAR * wanted_us if wish.within_us is None else wish.within_us
    near = [entry for entry in found if abs(entry.error_us) <= within_us]
    if not near:
        nearest = min(found, key=lambda entry: abs(entry.error_us))
        nearest_us = wanted_us + nearest.error_us
        byte = PULSE_BYTES[nearest.shape.zeros]
        raise CannotMake(
            f"{what} cannot be made within {within_us:.3g} us: {grid.kind} comes nearest "
            f"with {nearest_us:.3f} us ({byte:02X}h at {nearest.rate.baud:.0f} baud)",
            nearest_us=nearest_us,
        )
    best = min(near, key=_rank(wanted_us, grid, terms))
    return _made(best, wanted_us, grid, wish.since)


def _reach(grid: ClockGrid, terms: Terms, shapes: tuple[_Shape, ...]) -> str:
    if not any(s in grid.stop_bits for s in terms.stop_bits):
        return f"{grid.kind} has none of the stop bits {terms.stop_bits}"
    if math.isinf(terms.low_us_max):
        return f"{grid.kind} makes no rate near it"
    earliest_us, latest_us = (
        fold(shape.bits * bound / (1 + shape.zeros) for shape in shapes)
        for fold, bound in ((min, terms.low_us_min), (max, terms.low_us_max))
    )
    return (
        f"with {terms.low_us_min:g} to {terms.low_us_max:g} us of low it can lie from "
        f"{earliest_us:.1f} to {latest_us:.1f} us, and {grid.kind} makes no rate for it"
    )


def for_low(
    low_us: float,
    grid: ClockGrid,
    *,
    terms: Terms = WRITE_SLOT,
    within_us: float | None = None,
) -> Made:
    """The best frame for a low time.

    Args:
        low_us: wanted low time.
        grid: the adapter's clock.
        terms: slot length and recovery to keep, and the frames to choose from.
        within_us: largest error; 2 % of ``low_us`` if None, ``math.inf`` for the
            nearest that there is.

    Raises:
        CannotMake: nothing comes that near; the message names the nearest.
    """
    wish = _Wish(
        what="a low",
        wanted_us=low_us,
        within_us=within_us,
        shapes=_low_shapes(terms),
    )
    return _best(wish, grid, terms)


def for_sample(
    sample_us: float,
    grid: ClockGrid,
    *,
    terms: Terms = READ_SLOT,
    since: Since = "edge",
    within_us: float | None = None,
) -> Made:
    """The best frame one of whose data bits is sampled at a wanted instant.

    Args:
        sample_us: wanted instant, the middle of the receiver's grid step.
        grid: the adapter's clock.
        terms: what the frame must keep, its low time included.
        since: count from the falling ``edge`` (slots) or from ``release`` (resets).
        within_us: largest error; 2 % of ``sample_us`` if None.

    Raises:
        CannotMake: nothing comes that near; the message says what can be reached.
    """
    wish = _Wish(
        what="a sample",
        wanted_us=sample_us,
        within_us=within_us,
        shapes=_sample_shapes(terms, since, grid),
        since=since,
    )
    return _best(wish, grid, terms)


def sweep_low(
    from_us: float,
    to_us: float,
    grid: ClockGrid,
    *,
    step_us: float,
    terms: Terms = WRITE_SLOT,
) -> tuple[Made, ...]:
    """The ladder of low times that the adapter makes, shortest first.

    One rung for each ``step_us`` where the grid is fine enough, fewer where not.

    Raises:
        CannotMake: there is none between the bounds.
    """
    return _ladder(
        lambda at_us: for_low(at_us, grid, terms=terms, within_us=0.5 * step_us),
        from_us,
        to_us,
        step_us,
    )


def sweep_sample(
    from_us: float,
    to_us: float,
    grid: ClockGrid,
    *,
    step_us: float,
    terms: Terms = READ_SLOT,
    since: Since = "edge",
) -> tuple[Made, ...]:
    """The ladder of sample points that the adapter makes, earliest first.

    Raises:
        CannotMake: there is none between the bounds.
    """
    return _ladder(
        lambda at_us: for_sample(
            at_us, grid, terms=terms, since=since, within_us=0.5 * step_us
        ),
        from_us,
        to_us,
        step_us,
    )


def _ladder(
    make: Callable[[float], Made], from_us: float, to_us: float, step_us: float
) -> tuple[Made, ...]:
    if not (step_us > 0 and 0 < from_us <= to_us < math.inf):
        raise CannotMake(
            f"from {from_us:g} to {to_us:g} us in steps of {step_us:g} us is no sweep"
        )
    rungs: dict[tuple[float, int | None], Made] = {}
    refusal: CannotMake | None = None
    for index in range(int((to_us - from_us) / step_us + 1e-9) + 1):
        try:
            made = make(from_us + index * step_us)
        except CannotMake as exc:
            refusal = refusal or exc
            continue
        if from_us * (1 - _TIE) <= made.achieved_us <= to_us * (1 + _TIE):
            rungs.setdefault((round(made.achieved_us, 6), made.bit), made)
    if not rungs:
        raise refusal or CannotMake(
            f"the adapter makes nothing from {from_us:g} to {to_us:g} us"
        )
    return tuple(sorted(rungs.values(), key=lambda made: made.achieved_us))
