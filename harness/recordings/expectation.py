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
    found = list(seen)
    named = {device.rom for device in expected if device.rom is not None}
    free = [device for device in expected if device.rom is None]
    strangers = []
    for rom in found:
        if rom in named:
            continue
        fitting = [d for d in free if d.family in (None, rom.family)]
        if fitting:
            free.remove(max(fitting, key=lambda d: d.family is not None))
        else:
            strangers.append(rom)
    wrong = [f"the device {rom} is expected in no socket" for rom in strangers]
    unseen = [d for d in expected if d.rom is not None and d.rom not in found] + free
    open_ = [
        f"socket {d.socket}: {_text(d)} is expected and not addressed in the recording"
        for d in unseen
    ]
    return tuple(wrong), tuple(open_)


def _text(device: ExpectedDevice) -> str:
    if device.rom is not None:
        return f"the device {device.rom}"
    if device.family is not None:
        return f"a device of family {device.family:02X}h"
    return "a device"
