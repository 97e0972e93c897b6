"""One device on the bench: its pin, its supply and its logic, put together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import Any

from harness.simulation.devices.base import Device, DeviceSurroundings
from harness.simulation.devices.pin import Phase, Pin
from harness.simulation.devices.registry import model_of
from harness.simulation.devices.supply import ParasiteSupply, Supply
from harness.simulation.devices.supply_pin import ExternalSupply
from harness.simulation.devices.time_bases import (
    TimeBase,
    draw_overdrive,
    draw_time_base,
)
from harness.simulation.line.engine import Engine
from harness.simulation.settings.device import DeviceSettings
from harness.simulation.settings.device import Supply as SupplyKind
from harness.wire.romcode import RomCode

LIFTED_V = 9.0
"""Between the highest supply (6 V) and the lowest programming voltage (11.5 V)."""

HYSTERESIS_V = 1.0


class Station:
    """A device with everything that connects it to the line.

    Attributes:
        bit: its place in the masks of devices.
        device: what it does with bits.
        pin: how it hears and pulls.
        supply: what feeds it.
        is_destroyed: True once it met a voltage that it does not stand.
        time_base: its own times, as drawn; faults put another into the pin.
    """

    def __init__(
        self,
        *,
        index: int,
        settings: DeviceSettings,
        rom: RomCode,
        random: Random,
        overdrive_random: Random,
        engine: Engine,
        surroundings: DeviceSurroundings,
        crowd: Callable[[], int],
    ) -> None:
        self.bit = 1 << index
        self.index = index
        self.socket = settings.socket
        self.is_attached = False
        self.is_destroyed = False
        self.time_base = draw_time_base(settings.time_base, random)
        self.device: Device[Any] = model_of(settings)(
            settings=settings, rom=rom, random=random, surroundings=surroundings
        )
        self.supply: Supply
        if settings.supply is SupplyKind.PARASITE:
            self.supply = ParasiteSupply(
                engine=engine, settings=settings.supply_node, chip=self, crowd=crowd
            )
        else:
            self.supply = ExternalSupply(
                engine=engine,
                pin=settings.supply_pin,
                node=settings.supply_node,
                source_v=engine.line.final_v,
                chip=self,
            )
        self.device.supply = self.supply
        self._settings = settings
        self._engine = engine
        self._own_supply = self.supply
        self.pin = Pin(
            engine=engine,
            settings=settings,
            time_base=self.time_base,
            logic=self.device,
            on_slot=self._spend_slot,
            overdrive=(
                draw_overdrive(settings.overdrive_times, overdrive_random)
                if self.device.can_overdrive
                else None
            ),
        )

    @property
    def is_listening(self) -> bool:
        """True if the device takes part in the present session."""
        return (
            self.is_attached
            and self.device.want is not None
            and self.pin.phase is not Phase.OFF
        )

    @property
    def is_drifting(self) -> bool:
        """True if something on it depends on time even while the line is high and still."""
        return self.supply.takes_time or not self.pin.is_high

    def open_supply_lead(self, crowd: Callable[[], int]) -> None:
        """The supply wire breaks: the data line feeds the chip from now on."""
        self._use_supply(
            ParasiteSupply(
                engine=self._engine,
                settings=self._settings.supply_node,
                chip=self,
                crowd=crowd,
            )
        )
        self.pin.may_doze = False
        if self.is_attached:
            self.supply.attach()

    def mend_supply_lead(self) -> None:
        """The supply wire is whole again."""
        if isinstance(self.supply, ParasiteSupply):
            self.supply.retire()
        was_good = self.supply.is_good
        self._use_supply(self._own_supply)
        if self.supply.is_good and not was_good:
            self.power_on()

    def _spend_slot(self) -> None:
        self.supply.spend_slot()

    def _use_supply(self, supply: Supply) -> None:
        self.supply = self.device.supply = supply

    def attach(self) -> None:
        """The data lead is on the line."""
        self.is_attached = True
        self.supply.attach()
        self.pin.attach()

    def detach(self) -> None:
        """The data lead is off the line."""
        self.is_attached = False
        self.pin.detach()
        self.supply.detach()

    def watch_programming(self, engine: Engine) -> None:
        """Have the device meet the programming voltage, to its good or its end."""
        engine.listen(
            (self, "programming"),
            low_v=LIFTED_V - HYSTERESIS_V,
            high_v=LIFTED_V,
            on_edge=self._on_lift,
        )

    def _on_lift(self, lifted: bool) -> None:
        if not self.is_attached:
            return
        if self.device.stands_programming:
            self.device.lift(lifted)
        elif lifted and not self.is_destroyed:
            self.is_destroyed = True
            self.power_off()

    def power_on(self) -> None:
        """The supply is good again."""
        if self.is_destroyed:
            return
        self.device.power_on()
        self.pin.power_on()

    def power_off(self) -> None:
        """The supply is gone."""
        self.pin.power_off()
        self.device.power_off()

    def use_time_base(self, time_base: TimeBase) -> None:
        """Run by other times from now on."""
        self.pin.time_base = time_base

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self.pin.rebase(by_us)
        self.supply.rebase(by_us)


def draw_rom_codes(devices: Sequence[DeviceSettings], random: Random) -> list[RomCode]:
    """ROM codes as given, or with a serial number drawn; drawn ones differ."""
    taken: set[RomCode] = set()
    codes = []
    for settings in devices:
        if settings.rom_code:
            code = RomCode.parse(settings.rom_code)
        elif settings.serial is not None:
            code = RomCode.build(settings.family, settings.serial)
        else:
            code = _draw(settings.family, random)
            while code in taken:
                code = _draw(settings.family, random)
        taken.add(code)
        codes.append(code)
    return codes


def _draw(family: int, random: Random) -> RomCode:
    # the two upper bytes of common parts are zero
    return RomCode.build(family, random.randrange(1, 1 << 32))
