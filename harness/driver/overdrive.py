"""Overdrive: into the second speed and out of it.

    in     standard reset, then at standard speed 3Ch (all that can) or 69h; whatever
           follows that byte is in overdrive, for 69h the 64 bits of the ROM code too
    stay   resets of 48 to 80 us
    out    a standard reset

A device that did not come along waits for a standard reset and takes an overdrive
reset for a written 0. One that was left in overdrive takes a written 0 at standard
speed for a reset and answers inside other devices' slots, so every way out of here
ends with a standard reset.

Source: data sheets of an EPROM (part DS2506, p. 19-20) and of part DS1957 p. 19-20.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from harness.driver.bus import Bus, RomCommand
from harness.errors import (
    CannotOverdrive,
    NobodyAnswers,
    SlotproofError,
)
from harness.wire.clock_grid import ClockGrid
from harness.wire.limits import OVERDRIVE, SpeedLimits
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import (
    CannotMake,
    ResetFrame,
    ResetReading,
    SlotFrames,
    choose_reset,
    choose_slots,
)

_NO_COMMAND = b"\xff"


def overdrive_frames(
    grid: ClockGrid, limits: SpeedLimits = OVERDRIVE
) -> tuple[SlotFrames, ResetFrame]:
    """The frames that an adapter makes for overdrive.

    Args:
        grid: the adapter's clock.
        limits: ``OVERDRIVE``, or ``OVERDRIVE_STRICT`` for parts that want 13 us slots.

    Raises:
        CannotOverdrive: the adapter is too slow; the message says what is missing.
    """
    try:
        return choose_slots(grid, limits=limits), choose_reset(grid, limits=limits)
    except CannotMake as cause:
        raise CannotOverdrive(f"this adapter is too slow: {cause}") from cause


def enter_overdrive(
    bus: Bus, rom: RomCode | None = None, *, limits: SpeedLimits = OVERDRIVE
) -> ResetReading:
    """Standard reset, command, then an overdrive reset that a device must answer.

    No device is selected afterwards: go on with ``transact``, ``verify`` or a search.

    Args:
        bus: the bus; at standard speed again if this fails.
        rom: the only device to bring along, or None for all that can.
        limits: see ``overdrive_frames``.

    Raises:
        CannotOverdrive: the adapter, or this line's rise, is too slow.
        NobodyAnswers: no device answers at either speed; the message says at which.
        LineError, AdapterError: as the bus says.
    """
    slots, reset_frame = overdrive_frames(bus.adapter.grid, limits)
    bus.use_standard()
    slots = _fitted(bus, slots)
    bus.require_presence()
    command = RomCommand.OVERDRIVE_SKIP if rom is None else RomCommand.OVERDRIVE_MATCH
    bus.write(bytes([command]))
    bus.use_overdrive(slots, reset_frame)
    try:
        if rom is not None:
            bus.write(rom.wire)
        return bus.require_presence()
    except NobodyAnswers as fault:
        _back(bus)
        raise NobodyAnswers(
            "no device answers in overdrive: none here may be of a kind that knows it"
            if rom is None
            else f"{rom} does not answer in overdrive: its kind may not know it",
            where=fault.where,
            hint="look in its data sheet whether it knows overdrive; if it does, check "
            "that its supply is high enough for it, and that the line is short",
        ) from fault
    except BaseException:
        _back(bus)
        raise


def _fitted(bus: Bus, slots: SlotFrames) -> SlotFrames:
    """Overdrive slots that this line's rise bears; proved before any device is switched.

    The devices hear a reset and no command first, so that they ignore the probing.
    """
    bus.require_presence()
    bus.write(_NO_COMMAND)
    try:
        return bus.fitted(slots)
    except CannotMake as cause:
        raise CannotOverdrive(
            f"this line rises too slowly: {cause}", where=bus.adapter.url
        ) from cause


def leave_overdrive(bus: Bus) -> ResetReading:
    """Standard frames and a standard reset, which takes every device back.

    Raises:
        LineError, AdapterError: as ``Bus.reset`` says.
    """
    bus.use_standard()
    return bus.reset()


def _back(bus: Bus) -> None:
    """Leave overdrive and ignore its errors: another error is already raised."""
    with suppress(SlotproofError):
        leave_overdrive(bus)


@contextmanager
def overdrive(
    bus: Bus, rom: RomCode | None = None, *, limits: SpeedLimits = OVERDRIVE
) -> Iterator[Bus]:
    """The bus in overdrive for a while, back at standard speed whatever happens.

    Raises:
        CannotOverdrive, NobodyAnswers, LineError, AdapterError: see
            ``enter_overdrive``.
    """
    enter_overdrive(bus, rom, limits=limits)
    try:
        yield bus
    except BaseException:
        _back(bus)
        raise
    leave_overdrive(bus)
