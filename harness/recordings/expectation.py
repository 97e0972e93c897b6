"""What a fixture expects on the line, against the devices that a recording shows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDevice:
    """One socket of a fixture.

    Attributes:
        socket: its name.
        rom: the ROM code that is expected, None if any.
        family: the family code that is expected, None if any.
    """

    socket: str
    rom: RomCode | None = None
    family: int | None = None


def compare_devices(
    expected: tuple[ExpectedDevice, ...], seen: Iterable[RomCode]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What is wrong, and what the recording cannot tell.

    A device that stands in no socket is wrong. One that is expected and not seen may
    just not have been addressed while the recording ran.

    Args:
        expected: the sockets; nothing is compared if there are none.
        seen: ROM codes seen on the line.
    """
    if not expected:
        return (), ()
    named = {device.rom: device for device in expected if device.rom is not None}
    free = [device for device in expected if device.rom is None]
    surplus = []
    for rom in dict.fromkeys(seen):
        if named.pop(rom, None) is None and not _take_socket(rom, free):
            surplus.append(rom)
    unseen = [*named.values(), *free]
    return (
        tuple(f"the device {rom} is expected in no socket" for rom in surplus),
        tuple(map(_not_addressed, unseen)),
    )


def _take_socket(rom: RomCode, free: list[ExpectedDevice]) -> bool:
    """Take a socket for the device out of ``free``; False if it fits into none.

    A socket that names the family is taken before one that takes any device.
    """
    fitting = [d for d in free if d.family in (None, rom.family)]
    if not fitting:
        return False
    free.remove(max(fitting, key=lambda d: d.family is not None))
    return True


def _not_addressed(device: ExpectedDevice) -> str:
    what = "a device"
    if device.rom is not None:
        what = f"the device {device.rom}"
    elif device.family is not None:
        what = f"a device of family {device.family:02X}h"
    return (
        f"socket {device.socket}: {what} is expected and not addressed in the recording"
    )
