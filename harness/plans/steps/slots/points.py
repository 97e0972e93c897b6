"""Low times that a plan asks for, and those of them that an adapter makes.

Arithmetic alone, so that a run and `slotproof check` say the same of a plan.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from harness.plans.schema.trials import LowSpan, Stress
from harness.results.record.slot_evidence import LowNotMade, TriedLow
from harness.wire.clock_grid import ClockGrid
from harness.wire.limits import STANDARD, Limit
from harness.wire.rates import CUSTOMARY_BAUD
from harness.wire.slots.frames import PULSE_BYTES, Frame
from harness.wire.slots.synthesis import (
    NEAR,
    WRITE_SLOT,
    CannotMake,
    Made,
    Time,
    for_low,
)

Slot = Literal["write-0", "write-1", "read"]

_READ_SAMPLE_BITS = 1.5
"""A read slot with one bit time of low is sampled at one and a half."""


@dataclass(slots=True)
class Point:
    """Slots tried and slots that failed at one low time that the adapter makes.

    ``only_once`` is True where slots failed and none did when they were tried again.
    """

    asked_us: float
    made: Made
    tried: int = 0
    wrong: int = 0
    only_once: bool = False

    @property
    def low_us(self) -> float:
        """Low time as the adapter makes it."""
        return self.made.low.value_us

    def surely_inside(self, from_us: float, to_us: float) -> bool:
        """True if the clock's doubt cannot take the low out of a range."""
        low = self.made.low
        return from_us <= low.value_us - low.clock_us and (
            low.value_us + low.clock_us <= to_us
        )

    def surely_outside(self, from_us: float, to_us: float) -> bool:
        """True if the clock's doubt cannot take the low into a range."""
        low = self.made.low
        return low.value_us + low.clock_us < from_us or (
            to_us < low.value_us - low.clock_us
        )

    @property
    def record(self) -> TriedLow:
        """As the journal holds it."""
        return TriedLow(
            asked_us=self.asked_us,
            low_us=round(self.low_us, 4),
            slots=self.tried,
            wrong=self.wrong,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A low time that was asked for and that the adapter does not make, and why."""

    asked_us: float
    why: str

    @property
    def record(self) -> LowNotMade:
        """As the journal holds it."""
        return LowNotMade(asked_us=self.asked_us, why=self.why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """All low times of a step at one value of the other axis, in rising order."""

    made: tuple[Point, ...]
    missing: tuple[Missing, ...] = ()

    @property
    def asked(self) -> int:
        """How many the plan asks for."""
        return len(self.made) + len(self.missing)


def must_hold_us(body: Stress) -> tuple[float, float]:
    """Low times at which every slot must pass: the plan's, else the published ones."""
    if body.must_hold is not None:
        return body.must_hold.from_us, body.must_hold.to_us
    limit = published_limit(body.slot)
    assert limit.low_us is not None
    assert limit.high_us is not None
    return limit.low_us, limit.high_us


def published_limit(slot: Slot) -> Limit:
    """Low times at which the slot must work."""
    if slot == "write-0":
        return STANDARD.write_0_low
    if slot == "write-1":
        return STANDARD.write_1_low
    sample_us = STANDARD.read_sample.high_us
    assert sample_us is not None
    return replace(
        STANDARD.write_1_low, name="read low", high_us=sample_us / _READ_SAMPLE_BITS
    )


def points_of(body: Stress, grid: ClockGrid) -> Points:
    """The frame that comes nearest to each low time, where it is near enough.

    At an end of what must hold, the nearest that lies inside for certain, whatever the
    adapter's clock is off: one that fails there is a fault beyond doubt.
    """
    zeros = tuple(range(1, 9)) if body.slot == "write-0" else (0,)
    terms = replace(WRITE_SLOT, zeros=zeros, stop_bits=(1,))
    tolerance_us = _tolerance(body)
    from_us, to_us = must_hold_us(body)

    def make(low_us: float) -> Made:
        within_us = tolerance_us(low_us)
        nearest = for_low(low_us, grid, terms=terms, within_us=within_us)
        if not from_us <= low_us <= to_us:
            return nearest
        inwards_us = within_us if low_us - from_us <= to_us - low_us else -within_us
        for step in range(_AIMS + 1):
            aim_us = low_us + inwards_us * step / _AIMS
            try:
                made = for_low(aim_us, grid, terms=terms, within_us=within_us)
            except CannotMake:
                continue
            near = abs(made.low.value_us - low_us) <= within_us
            if near and Point(asked_us=low_us, made=made).surely_inside(from_us, to_us):
                return made
        return nearest

    return _points(body.points_us, make)


_AIMS = 8
"""Steps from a low time to the end of its tolerance, inwards, in the search above."""


def not_made(body: Stress, why: str) -> Points:
    """None of the low times, for one reason."""
    missing = (Missing(asked_us=low_us, why=why) for low_us in body.points_us)
    return Points(made=(), missing=tuple(missing))


def points_at_rate(body: Stress, request_baud: int, grid: ClockGrid) -> Points:
    """At one rate the low time goes in whole bits: the nearest to each wanted one."""
    real_baud = grid.achieved(request_baud)
    cannot = _rate_beyond(request_baud, real_baud, grid)
    choices = PULSE_BYTES[1:] if body.slot == "write-0" else PULSE_BYTES[:1]
    frames = [Frame(byte=byte, baud=real_baud) for byte in choices]
    within_us = _tolerance(body)

    def make(low_us: float) -> Made:
        if cannot:
            raise CannotMake(cannot)
        frame = min(frames, key=lambda frame: abs(frame.low_us - low_us))
        if abs(frame.low_us - low_us) > within_us(low_us):
            raise CannotMake(
                "lows that are no whole bits of a character at the row's rate"
            )
        return _made_at_rate(frame, request_baud, low_us, grid)

    return _points(body.points_us, make)


def _made_at_rate(
    frame: Frame, request_baud: int, low_us: float, grid: ClockGrid
) -> Made:
    short_us = max(
        WRITE_SLOT.slot_us_min - frame.length_us,
        WRITE_SLOT.recovery_us_min - frame.high_us,
    )
    return Made(
        frame=frame,
        request_baud=request_baud,
        wanted_us=low_us,
        low=Time(
            value_us=frame.low_us, clock_us=frame.low_us * grid.tolerance_ppm * 1e-6
        ),
        bit=None,
        since="edge",
        idle_us=max(0.0, short_us),
        tolerance_ppm=grid.tolerance_ppm,
    )


def _rate_beyond(request_baud: int, real_baud: float, grid: ClockGrid) -> str:
    """Why a rate cannot be had; empty if it can."""
    if not grid.free and request_baud not in CUSTOMARY_BAUD:
        return f"{grid.kind} makes customary rates only, {request_baud} baud is none"
    if request_baud > grid.fastest_baud:
        return f"{grid.kind} makes {grid.fastest_baud} baud at most"
    if abs(real_baud / request_baud - 1) > NEAR:
        return f"{grid.kind} makes {real_baud:.0f} baud for {request_baud}"
    return ""


def _tolerance(body: Stress) -> Callable[[float], float]:
    """How far off a point may be and still stand for the low time asked for.

    A span states by its step how fine its points are: half of it, so that no point
    stands for its neighbour. A list states the values themselves: the share within
    which the synthesiser calls a frame near.
    """
    if isinstance(body.low_us, LowSpan):
        half_us = body.low_us.step_us / 2
        return lambda _low_us: half_us
    return lambda low_us: NEAR * low_us


def _points(wanted_us: Sequence[float], make: Callable[[float], Made]) -> Points:
    """Make what can be made; a frame that two low times share stands for the nearer."""
    made: dict[tuple[int, int], Point] = {}
    missing: list[Missing] = []
    for low_us in wanted_us:
        try:
            point = Point(asked_us=low_us, made=make(low_us))
        except CannotMake as reason:
            missing.append(Missing(asked_us=low_us, why=_why(low_us, reason)))
            continue
        key = (point.made.request_baud, point.made.frame.byte)
        other = made.get(key)
        if other is None or _off_us(point) < _off_us(other):
            made[key] = point
            point = other if other is not None else point
        if other is not None:
            missing.append(
                Missing(
                    asked_us=point.asked_us,
                    why=f"{point.asked_us:g} us (nearest {point.low_us:.2f} us, which "
                    f"stands for {made[key].asked_us:g} us)",
                )
            )
    ordered = sorted(made.values(), key=lambda point: point.low_us)
    return Points(
        made=tuple(ordered),
        missing=tuple(sorted(missing, key=lambda entry: entry.asked_us)),
    )


def _why(low_us: float, reason: CannotMake) -> str:
    if reason.nearest_us is None:
        return str(reason)
    return f"{low_us:g} us (nearest {reason.nearest_us:.2f} us)"


def _off_us(point: Point) -> float:
    return abs(point.low_us - point.asked_us)


def whys(missing: Iterable[Missing]) -> list[str]:
    """The reasons in words, each once, with how many low times it is for.

    A reason that names its low time is for that one alone.
    """
    counted: dict[str, int] = {}
    for entry in missing:
        counted[entry.why] = counted.get(entry.why, 0) + 1
    return [why if n == 1 else f"{why} ({n})" for why, n in counted.items()]
