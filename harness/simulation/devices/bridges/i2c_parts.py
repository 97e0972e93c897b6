"""Parts on the I2C side of a simulated bridge: an EEPROM and a thermometer.

Each is asked whether it acknowledges its address, takes bytes and gives bytes, as any
I2C target; their register maps are those that such parts commonly have (common
practice, no source; the parts themselves are invented).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import Field

from harness.simulation.settings.base import HexBytes, StrictSettings

Address = Annotated[int, Field(ge=0x08, le=0x77)]


class I2cEepromSettings(StrictSettings):
    """4 Kbyte, two-byte pointer, rows of 32."""

    part: Literal["eeprom"]
    address: Address = Field(default=0x50, description="seven bits")
    content: HexBytes = Field(default="", description="bytes in hex from address 0 on")
    write_ms: float = Field(
        default=4.0, gt=0, le=100, description="time in which it does not acknowledge"
    )


class I2cThermometerSettings(StrictSettings):
    """Register 0 temperature, 16 bit, 1/256 degC; 1 configuration."""

    part: Literal["thermometer"]
    address: Address = Field(default=0x48, description="seven bits")
    temperature_degc: float = Field(
        default=21.5, ge=-60, le=127, description="what it measures"
    )


I2cPartSettings = Annotated[
    I2cEepromSettings | I2cThermometerSettings, Field(discriminator="part")
]

After = Callable[[float, Callable[[], None]], None]

EEPROM_BYTES, ROW_BYTES = 4096, 32


class I2cEeprom:
    """A row is written when the transfer stops; until then it is a buffer.

    Attributes:
        cells: content.
        is_busy: True while cells are written.
    """

    def __init__(self, settings: I2cEepromSettings, after: After) -> None:
        given = bytes.fromhex(settings.content)
        self.address = settings.address
        self.cells = bytearray(given.ljust(EEPROM_BYTES, b"\xff"))
        self.is_busy = False
        self._settings = settings
        self._after = after
        self._pointer = 0
        self._taken = bytearray()

    def acknowledges(self) -> bool:
        """Not while cells are written."""
        return not self.is_busy

    def begin(self) -> None:
        """A start condition for writing."""
        self._taken = bytearray()

    def take(self, value: int) -> bool:
        """A byte written; True if it is acknowledged."""
        self._taken.append(value)
        if len(self._taken) == 2:
            self._pointer = int.from_bytes(self._taken, "big") % EEPROM_BYTES
        return True

    def give(self) -> int:
        """The next byte read."""
        value = self.cells[self._pointer]
        self._pointer = (self._pointer + 1) % EEPROM_BYTES
        return value

    def stop(self) -> None:
        """A stop condition: the row, rolled over at its end, goes to the cells."""
        content = bytes(self._taken[2:])
        self._taken = bytearray()
        if not content:
            return
        row = self._pointer - self._pointer % ROW_BYTES
        for place, value in enumerate(content):
            self.cells[row + (self._pointer + place) % ROW_BYTES] = value
        self.is_busy = True
        self._after(1000 * self._settings.write_ms, self._done)

    def _done(self) -> None:
        self.is_busy = False


class I2cThermometer:
    """One pointer byte; only the configuration can be written.

    Attributes:
        temperature_degc: what it measures.
        configuration: register 1.
    """

    def __init__(self, settings: I2cThermometerSettings) -> None:
        self.address = settings.address
        self.temperature_degc = settings.temperature_degc
        self.configuration = 0x60
        self._pointer: int | None = 0
        self._place = 0

    def acknowledges(self) -> bool:
        """Always."""
        return True

    def begin(self) -> None:
        """A start condition for writing: the pointer comes first."""
        self._pointer = None

    def take(self, value: int) -> bool:
        """Pointer, then configuration; other registers refuse."""
        if self._pointer is None:
            self._pointer, self._place = value, 0
            return value < 2
        if self._pointer == 1 and self._place == 0:
            self.configuration, self._place = value, 1
            return True
        return False

    def give(self) -> int:
        """The next byte of the register."""
        place, self._place = self._place, self._place + 1
        if self._pointer == 1:
            return self.configuration
        raw = round(self.temperature_degc * 256) & 0xFFFF
        return raw.to_bytes(2, "big")[place % 2]

    def stop(self) -> None:
        """The next read starts at the register's first byte."""
        self._place = 0


I2cPart = I2cEeprom | I2cThermometer


def make_part(
    settings: I2cEepromSettings | I2cThermometerSettings, after: After
) -> I2cPart:
    """The part that a fixture describes."""
    if isinstance(settings, I2cEepromSettings):
        return I2cEeprom(settings, after)
    return I2cThermometer(settings)
