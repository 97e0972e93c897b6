"""The ROM command 33h on a bus with one device, for tests of what goes over the wire."""

from __future__ import annotations

from harness.driver.bus import Bus
from harness.wire.romcode import RomCode

READ_ROM = b"\x33"


def read_rom(bus: Bus) -> RomCode:
    """ROM code of the only device; a wired AND if there are several."""
    bus.require_presence()
    return RomCode(bus.go_on(READ_ROM, 8))
