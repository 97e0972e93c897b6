"""The stress step: one kind of slot at a row of low times, pass or fail for each.

What is written or read with the stressed slots is checked with safe ones: a
register of the device is written, read back and, at the end, restored. A device
without a register is found by a directed search whose slots are stressed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from harness.driver.bus import Bus, RomCommand
from harness.families.family import Register
from harness.families.registry import family_of
from harness.plans.schema_trials import Stress
from harness.plans.steps.attempts import attempt
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.wire.clockgrid import ClockGrid
from harness.wire.frames import PULSE_BYTES, Frame
from harness.wire.limits import STANDARD
from harness.wire.romcode import RomCode

_LONGEST_SAFE_READ_US = 10.0
"""A read slot of this low time samples at 15 us, the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StressFrame:
    """The frame that makes a wanted low time, as the adapter really makes it.

    Attributes:
        byte: character to send.
        request_baud: rate to ask for.
        low_us: low time achieved.
        single: True if slots must be sent one by one, since back to back they would
            be shorter than a slot may be.
    """

    byte: int
    request_baud: int
    low_us: float
    single: bool


def stress_frame(slot: str, low_us: float, grid: ClockGrid) -> StressFrame:
    """The frame for a low time: FFh for write-1 and read, the longest zeros else."""
    bytes_to_try = PULSE_BYTES[:0:-1] if slot == "write-0" else PULSE_BYTES[:1]
    for byte in bytes_to_try:
        zeros = PULSE_BYTES.index(byte)
        request = max(1, round((1 + zeros) * 1e6 / low_us))
        frame = Frame(byte=byte, baud=grid.achieved(request))
        legal = STANDARD.slot.holds(frame.length_us) and STANDARD.recovery.holds(
            frame.high_us
        )
        if legal or byte == bytes_to_try[-1]:
            return StressFrame(
                byte=byte, request_baud=request, low_us=frame.low_us, single=not legal
            )
    raise AssertionError("the last byte is always taken")


@dataclass(slots=True)
class _Point:
    """Slots tried and slots that failed at one low time."""

    frame: StressFrame
    asked_us: float
    tried: int = 0
    wrong: int = 0


def run_stress(context: Context, body: Stress) -> Iterator[CheckResult]:
    """Sweep the low time on each device meant."""
    for device in context.targets():
        yield attempt(context, body, partial(_stress, context, body, device), device)


def _stress(context: Context, body: Stress, device: DeviceRef) -> CheckResult:
    grid = context.bus.adapter.grid
    points = [
        _Point(frame=stress_frame(body.slot, low_us, grid), asked_us=low_us)
        for low_us in body.points_us
    ]
    register = family_of(device.family).register
    probe = _probe(context.bus, RomCode.parse(device.rom_code), register, body.slot)
    if register is not None:
        with_register = _Restoring(
            context.bus, RomCode.parse(device.rom_code), register
        )
        with with_register:
            _sweep(points, probe, body.slots)
    else:
        _sweep(points, probe, body.slots)
    return _judge(body, points)


def _sweep(
    points: list[_Point], probe: Callable[[StressFrame], tuple[int, int]], slots: int
) -> None:
    for point in points:
        while point.tried < slots:
            tried, wrong = probe(point.frame)
            point.tried += tried
            point.wrong += wrong
            if point.wrong and point.tried >= slots // 10:
                break  # failed for sure; the rest of the slots would tell nothing new


def _must_hold(body: Stress) -> tuple[float, float]:
    if body.must_hold is not None:
        return body.must_hold.from_us, body.must_hold.to_us
    limit = STANDARD.write_0_low if body.slot == "write-0" else STANDARD.write_1_low
    assert limit.low_us is not None
    assert limit.high_us is not None
    high_us = _LONGEST_SAFE_READ_US if body.slot == "read" else limit.high_us
    return limit.low_us, high_us


def _judge(body: Stress, points: list[_Point]) -> CheckResult:
    from_us, to_us = _must_hold(body)
    held = [point.frame.low_us for point in points if not point.wrong]
    bound = [point for point in points if from_us <= point.frame.low_us <= to_us]
    broken = [point for point in bound if point.wrong]
    values = [
        Measurement(
            name="points_held",
            value=len(bound) - len(broken),
            unit="points",
            low=len(bound),
            high=len(bound),
        )
    ]
    if held:
        values += [
            Measurement(name="shortest_low", value=round(min(held), 3), unit="us"),
            Measurement(name="longest_low", value=round(max(held), 3), unit="us"),
        ]
    evidence: dict[str, object] = {
        "must_hold_us": [from_us, to_us],
        "points": [
            {
                "asked_us": point.asked_us,
                "low_us": round(point.frame.low_us, 4),
                "slots": point.tried,
                "wrong": point.wrong,
            }
            for point in points
        ],
    }
    if not broken:
        return CheckResult(
            outcome=Outcome.PASSED, measurements=tuple(values), evidence=evidence
        )
    worst = broken[0]
    return CheckResult(
        outcome=Outcome.FAILED,
        kind="slot-timing",
        message=f"{body.slot} slots fail at {worst.frame.low_us:.2f} us low "
        f"({worst.wrong} of {worst.tried}), inside {from_us:g} to {to_us:g} us",
        hint="look at the edges first (pull-up, cable), then at this device's own timing",
        measurements=tuple(values),
        evidence=evidence,
    )


# -- probes --------------------------------------------------------------------


class _Restoring:
    """Keeps a register's bytes and writes them back at the end."""

    def __init__(self, bus: Bus, rom: RomCode, register: Register) -> None:
        self._bus, self._rom, self._register = bus, rom, register
        self._kept = b""

    def __enter__(self) -> None:
        self._kept = _read_register(self._bus, self._rom, self._register)

    def __exit__(self, *_: object) -> None:
        self._bus.transact(self._rom, self._register.write + self._kept)


def _read_register(bus: Bus, rom: RomCode, register: Register) -> bytes:
    block = bus.transact(rom, register.read, register.block)
    register.prove(block)
    return block[register.offset : register.offset + register.size]


def _probe(
    bus: Bus, rom: RomCode, register: Register | None, slot: str
) -> Callable[[StressFrame], tuple[int, int]]:
    if register is None:
        return partial(_probe_by_search, bus, rom)
    if slot == "read":
        return partial(_probe_read, bus, rom, register)
    return partial(
        _probe_write, bus, rom, register, 0x00 if slot == "write-0" else 0xFF
    )


def _send(bus: Bus, frame: StressFrame, slots: int) -> bytes:
    """Stressed slots, in one burst or one by one."""
    if not frame.single:
        return bus.exchange(bytes([frame.byte]) * slots, frame.request_baud)
    one = bytes([frame.byte])
    return b"".join(bus.exchange(one, frame.request_baud) for _ in range(slots))


def _probe_write(
    bus: Bus, rom: RomCode, register: Register, value: int, frame: StressFrame
) -> tuple[int, int]:
    """Write all ones or zeros with stressed slots over their opposite."""
    opposite = bytes([value ^ 0xFF]) * register.size
    bus.transact(rom, register.write + opposite)
    bus.require_presence()
    bus.write(bus.selection(rom) + register.write)
    _send(bus, frame, 8 * register.size)
    got = _read_register(bus, rom, register)
    tried = sum(mask.bit_count() for mask in register.mask)
    wrong = sum(
        ((have ^ value) & mask).bit_count()
        for have, mask in zip(got, register.mask, strict=True)
    )
    return tried, wrong


def _probe_read(
    bus: Bus, rom: RomCode, register: Register, frame: StressFrame
) -> tuple[int, int]:
    """Read the block once with safe slots, once with stressed ones."""
    safe = bus.transact(rom, register.read, register.block)
    register.prove(safe)
    bus.require_presence()
    bus.write(bus.selection(rom) + register.read)
    stressed = bus.slots.decode(_send(bus, frame, 8 * register.block))
    wrong = sum((a ^ b).bit_count() for a, b in zip(safe, stressed, strict=True))
    return 8 * register.block, wrong


def _probe_by_search(bus: Bus, rom: RomCode, frame: StressFrame) -> tuple[int, int]:
    """Stress the first bit of a directed search: one pair of reads, one write.

    The written bit is judged by whether the device still takes part at the next.
    """
    bits = rom.bits
    bus.require_presence()
    bus.write(bytes([RomCommand.SEARCH]))
    wrong = 0
    if frame.byte == 0xFF:
        pair = bus.slots.decode_bits(_send(bus, frame, 2))
    else:
        pair = bus.read_bits(2)
    wrong += pair not in ([0, 0], [bits[0], 1 - bits[0]])
    if (frame.byte == 0xFF) == bool(bits[0]):
        _send(bus, frame, 1)
        follow = bus.read_bits(2)
    else:
        follow = bus.write_bits_read([bits[0]], 2)
    wrong += follow not in ([0, 0], [bits[1], 1 - bits[1]])
    return 3, wrong
