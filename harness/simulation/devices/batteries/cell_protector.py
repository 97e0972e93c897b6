"""Family 30h: gauge and protector of a lithium cell.

Faults are judged whenever the host looks, without the delays of the real part.

Source: data sheets DS2760 (family 30h) p. 7 and 11, DS2761 p. 8 and 11-12, DS2762 p. 5
and 12. Under-voltage threshold and the meaning of the two pin bits (1 while
the path is open for current): from memory.
"""

from __future__ import annotations

from random import Random

from pydantic import Field

from harness.simulation.devices.base import DeviceSurroundings, Slots
from harness.simulation.devices.batteries.gauge import GaugeModel, GaugeSettings
from harness.simulation.devices.common.memory_settings import of_size
from harness.simulation.devices.kind import DeviceKind
from harness.wire.romcode import RomCode

OV, UV, COC, DOC = 0x80, 0x40, 0x20, 0x10
CC, DC, CE, DE = 0x08, 0x04, 0x02, 0x01
OVER_CURRENT_UV = 47_500.0


class ProtectorSettings(GaugeSettings):
    """Thresholds of the ordering code."""

    over_voltage_v: float = Field(
        default=4.275, gt=0, le=6, description="over-voltage threshold"
    )
    under_voltage_v: float = Field(
        default=2.6, gt=0, le=6, description="under-voltage threshold"
    )


class Protector(GaugeModel[ProtectorSettings]):
    """Latches faults and enables the two paths.

    Attributes:
        faults: latched fault bits of register 00h.
        enables: CE and DE.
    """

    def __init__(
        self,
        *,
        settings: ProtectorSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.cells[0x30] = CE | DE
        self.shadow[:] = self.cells
        self.faults = 0
        self.enables = CE | DE

    def load_power_on_values(self) -> None:
        """Enables come from EEPROM 30h."""
        super().load_power_on_values()
        self.faults = 0
        self.enables = self.cells[0x30] & (CE | DE)

    def recalled(self, number: int) -> None:
        """The second block loads the enables too."""
        if number == 1:
            self.enables = self.cells[0x30] & (CE | DE)

    def judge(self) -> None:
        """Latch what is wrong now."""
        settings = self.settings
        sense_uv = self.current_a * settings.sense_mohm * 1000
        for bit, is_so in (
            (OV, self.cell_v > settings.over_voltage_v),
            (UV, self.cell_v < settings.under_voltage_v),
            (COC, sense_uv > OVER_CURRENT_UV),
            (DOC, sense_uv < -OVER_CURRENT_UV),
        ):
            self.faults |= bit if is_so else 0

    def function(self, command: int) -> Slots:
        """Faults stand before anything is read."""
        self.judge()
        yield from super().function(command)

    def image(self) -> bytearray:
        """All registers as they stand now."""
        image = super().image()
        register = self.faults | self.enables
        if self.enables & CE and not self.faults & (OV | UV | COC):
            register |= CC
        if self.enables & DE and not self.faults & (UV | COC | DOC):
            register |= DC
        image[0x00] = register
        image[0x01] = self.cells[0x31]
        return image

    def store(self, address: int, value: int) -> None:
        """The host clears faults and sets enables."""
        if address == 0x00:
            self.faults &= value
            self.enables = value & (CE | DE)
        else:
            super().store(address, value)


KINDS = (
    DeviceKind(
        family=0x30,
        title="protector and gauge of a lithium cell",
        settings=of_size(ProtectorSettings, 16),
        model=Protector,
    ),
)
