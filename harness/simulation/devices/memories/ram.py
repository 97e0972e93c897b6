"""Families 08h, 06h, 0Ah, 0Ch, 04h: RAM that a cell keeps.

Source: data sheets of families 08h, 06h: DS1992/DS1993/DS1994 p. 6, 10-11; DS1996 p.
5-8. The pattern after a copy of 0Ah and 0Ch is assumed to be that of the others. The
clock page of a 04h is not modelled.
"""

from __future__ import annotations

from harness.simulation.devices.common.memory_settings import MemorySettings, of_size
from harness.simulation.devices.common.scratchpad_memory import ScratchpadMemory
from harness.simulation.devices.kind import DeviceKind

COPY_MS = 0.03


class Ram(ScratchpadMemory[MemorySettings]):
    """No check values, no wear; zeros after a copy."""

    checks_writes = False
    checks_reads = False
    alternates = False

    def write_cells(self, address: int, values: bytes) -> None:
        """Thirty microseconds from the internal cell."""
        self.writer.start(
            address, values, length_ms=COPY_MS, active_ma=0, least_v=0, done=self.copied
        )

    def may_copy(self) -> bool:
        """Inside the memory."""
        return self.target < self.size

    @classmethod
    def of_size(cls, size: int, *, knows_overdrive: bool) -> type[Ram]:
        """The model with so many bytes."""
        own = {"size": size, "knows_overdrive": knows_overdrive}
        return type(f"Ram{size}", (cls,), own)


def _kind(family: int, kbit: int, *, knows_overdrive: bool = False) -> DeviceKind:
    return DeviceKind(
        family=family,
        title=f"battery-backed RAM, {kbit} Kbit",
        settings=of_size(MemorySettings, 128 * kbit),
        model=Ram.of_size(128 * kbit, knows_overdrive=knows_overdrive),
    )


KINDS = (
    _kind(0x08, 1),
    _kind(0x06, 4),
    _kind(0x0A, 16, knows_overdrive=True),
    _kind(0x0C, 64, knows_overdrive=True),
    _kind(0x04, 4),
)
