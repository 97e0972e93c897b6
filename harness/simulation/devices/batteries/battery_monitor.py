"""Family 26h: battery monitor.

Source: data sheet DS2438 (family 26h) p. 6-10, 16 and 21; bit order of the configuration and all times: from memory. That page 0 takes only
configuration and threshold from a copy: from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from pydantic import Field

from harness.simulation.devices.base import Device, DeviceSurroundings, Slots
from harness.simulation.devices.batteries.gauge import SenseSettings, clamped
from harness.simulation.devices.common.cells import CellWriter, initial
from harness.simulation.devices.common.memory_settings import EepromSettings, of_size
from harness.simulation.devices.kind import DeviceKind
from harness.simulation.settings.device import Supply
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

IAD, CA, AD = 0x01, 0x02, 0x08
TB, NVB, ADB = 0x10, 0x20, 0x40
COUNT_UV = 1e6 / 4096
ICA_UVH, TOTAL_UVH = 1e6 / 2048, 1e6 / 64
USER_AT = 24


class MonitorSettings(SenseSettings, EepromSettings):
    """What it measures; ``content`` is that of the 40 user bytes."""

    supply: Supply = Field(
        default=Supply.EXTERNAL, description="external supply pin or parasite power"
    )
    fill: int = Field(default=0, ge=0, le=0xFF, description="byte that the rest holds")
    temperature_degc: float = Field(
        default=25.0, ge=-60, le=130, description="of the part"
    )
    supply_v: float = Field(default=5.0, ge=0, le=10, description="at its supply pin")
    input_v: float = Field(default=0.0, ge=0, le=10, description="at its voltage pin")
    convert_ms: float = Field(
        default=6.0, gt=0, le=100, description="temperature; 10 at most"
    )
    convert_voltage_ms: float = Field(
        default=3.0, gt=0, le=100, description="voltage; 4 at most"
    )


class Monitor(Device[MonitorSettings]):
    """Eight pages behind a scratchpad.

    Attributes:
        cells: all pages, 64 bytes; measured bytes are kept apart.
        pads: the scratchpad of each page.
        temperature_degc, supply_v, input_v, current_a: what it measures.
        charge_uvh: content of the account; in_uvh, out_uvh: the totals.
    """

    def __init__(
        self,
        *,
        settings: MonitorSettings,
        rom: RomCode,
        random: Random,
        surroundings: DeviceSurroundings,
    ) -> None:
        super().__init__(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.temperature_degc = settings.temperature_degc
        self.supply_v = settings.supply_v
        self.input_v = settings.input_v
        self._current_a = settings.current_a
        self.cells = bytearray(USER_AT) + initial(40, settings.content, settings.fill)
        self.cells[0] = 0x0F
        self.cells[15] = 0xFF
        self.writer = CellWriter(self, self.cells)
        self.pads = [bytearray(8) for _ in range(8)]
        self.charge_uvh = self.in_uvh = self.out_uvh = 0.0
        self.elapsed_s = 0.0
        self._measured = bytearray(6)
        self._busy = 0
        self._job = 0
        self._since_us = surroundings.now_us()

    @property
    def current_a(self) -> float:
        """What flows into the cell."""
        return self._current_a

    @current_a.setter
    def current_a(self, value: float) -> None:
        self.advance()
        self._current_a = value

    def load_power_on_values(self) -> None:
        """Measured bytes are zero, scratchpads hold anything."""
        self._measured = bytearray(6)
        self._busy = 0
        self._job += 1
        self._since_us = self.surroundings.now_us()
        self.pads = [bytearray(self.random.randbytes(8)) for _ in range(8)]

    def abandon_work(self) -> None:
        """Power fails: a conversion is lost, a copy cut short."""
        self._job += 1
        self._busy = 0
        self.writer.lose_power()

    # measuring

    @property
    def _added(self) -> float:
        return self.settings.added_counts(self.surroundings.now_us())

    @property
    def counts(self) -> int:
        """The current register."""
        trim = int.from_bytes(self.cells[13:15], "little", signed=True) >> 3
        sense_uv = self._current_a * self.settings.sense_mohm * 1000
        return clamped(sense_uv / COUNT_UV + self._added + trim, 11)

    def advance(self) -> None:
        """Count time and charge up to now."""
        now_us = self.surroundings.now_us()
        took_s = (now_us - self._since_us) / 1e6
        self._since_us = now_us
        self.elapsed_s += took_s
        least = (0, 2, 4, 8)[self.cells[7] >> 6]
        if not self.cells[0] & IAD or abs(self.counts) <= least:
            return
        gained_uvh = self.counts * COUNT_UV * took_s / 3600
        self.charge_uvh = max(0.0, min(255 * ICA_UVH, self.charge_uvh + gained_uvh))
        if self.cells[0] & CA:
            self.in_uvh += max(0.0, gained_uvh)
            self.out_uvh += max(0.0, -gained_uvh)

    def _begin(self, busy: int, length_ms: float, end: Callable[[], None]) -> None:
        self._busy |= busy
        self._job += 1
        job = self._job

        def done() -> None:
            if job == self._job:
                self._busy &= ~busy
                end()

        self.surroundings.after(1000 * length_ms, done)

    def _take_temperature(self) -> None:
        raw = clamped(self.temperature_degc * 32, 13) << 3
        self._measured[0:2] = raw.to_bytes(2, "little", signed=True)

    def _take_voltage(self) -> None:
        volts = self.supply_v if self.cells[0] & AD else self.input_v
        self._measured[2:4] = min(1023, round(volts * 100)).to_bytes(2, "little")

    # pages

    def memory(self, page: int) -> bytearray:
        """A page as a recall finds it."""
        block = bytearray(self.cells[8 * page : 8 * page + 8])
        if page == 0:
            if self.cells[0] & IAD:
                self._measured[4:6] = self.counts.to_bytes(2, "little", signed=True)
            block[0] |= self._busy | (NVB if self.writer.is_busy else 0)
            block[1:7] = self._measured
        elif page == 1:
            block[0:4] = int(self.elapsed_s).to_bytes(4, "little")
            block[4] = int(self.charge_uvh / ICA_UVH)
        elif page == 7 and self.cells[0] & CA:
            block[4:6] = int(self.in_uvh / TOTAL_UVH).to_bytes(2, "little")
            block[6:8] = int(self.out_uvh / TOTAL_UVH).to_bytes(2, "little")
        return block

    def _copied(self, page: int) -> bytes:
        block, held = self.pads[page], self.cells[8 * page : 8 * page + 8]
        if page == 0:
            return bytes([block[0] & 0x0F, *held[1:7], block[7]])
        if page == 1:
            self.elapsed_s = int.from_bytes(block[0:4], "little") + self.elapsed_s % 1
            self.charge_uvh = block[4] * ICA_UVH
            return bytes([*held[0:5], block[5] & 0xF8, block[6], 0xFF])
        return bytes(block)

    # commands

    def function(self, command: int) -> Slots:
        """Pages and conversions."""
        self.advance()
        settings = self.settings
        if command == 0x44:
            self._begin(TB, settings.convert_ms, self._take_temperature)
            yield from self._show_busy(lambda: self._busy & TB)
        elif command == 0xB4:
            self._begin(ADB, settings.convert_voltage_ms, self._take_voltage)
            yield from self._show_busy(lambda: self._busy & ADB)
        elif command in {0xB8, 0xBE, 0x4E, 0x48}:
            page = (yield from self.receive_byte()) & 0x07
            yield from self._page_function(command, page)

    def _page_function(self, command: int, page: int) -> Slots:
        if command == 0xB8:
            self.pads[page] = self.memory(page)
        elif command == 0xBE:
            block = bytes(self.pads[page])
            yield from self.send_bytes(block + bytes([crc8(block)]))
        elif command == 0x4E:
            for place in range(8):
                self.pads[page][place] = yield from self.receive_byte()
        elif not self.writer.is_busy:
            self.writer.start(
                8 * page,
                self._copied(page),
                length_ms=self.settings.copy_ms,
                active_ma=self.settings.active_ma,
                least_v=self.settings.copy_min_v,
                done=lambda _: None,
            )
            yield from self._show_busy(lambda: self.writer.is_busy)

    def _show_busy(self, busy: Callable[[], int | bool]) -> Slots:
        while True:
            yield lambda: 0 if busy() else 1


KINDS = (
    DeviceKind(
        family=0x26,
        title="battery monitor",
        settings=of_size(MonitorSettings, 40),
        model=Monitor,
    ),
)
