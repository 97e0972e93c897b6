"""How each fault of a device or its supply does its harm, and undoes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from functools import partial
from math import log
from typing import Any

from harness.simulation.devices.mounted_device import Station
from harness.simulation.faults import settings as fs
from harness.simulation.faults.target import FaultTarget
from harness.simulation.line.traffic import HostTraffic
from harness.wire.romcode import RomCode

EMPTY_OHM = 5.0
"""Of a capacitor's leads (invented)."""

DIP_US = 2.0
"""Long enough to be there when a device samples."""


@contextmanager
def _device_absent(fault: fs.AbsentDeviceFault, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        _disconnect(station, fs.ContactFault.ALL)
    place.core.population_changed()
    yield
    for station in victims:
        _reconnect(station)
    place.core.population_changed()


@contextmanager
def _device_drops_off(fault: fs.DeviceDropsOff, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        _disconnect(station, fault.contact)
    place.core.population_changed()
    yield
    for station in victims:
        _reconnect(station)
    place.core.population_changed()


def _disconnect(station: Station, contact: fs.ContactFault) -> None:
    station.detach()
    if contact is not fs.ContactFault.DATA:  # without ground there is no supply either
        station.supply.connect(False)


def _reconnect(station: Station) -> None:
    station.supply.connect(True)
    station.attach()


@contextmanager
def _presence_late(fault: fs.PresenceLate, place: FaultTarget) -> Iterator[None]:
    with _other_times(place, fault, presence_wait_us=fault.wait_us):
        yield


@contextmanager
def _presence_long(fault: fs.PresenceLong, place: FaultTarget) -> Iterator[None]:
    with _other_times(place, fault, presence_low_us=fault.low_us):
        yield


@contextmanager
def _other_times(
    place: FaultTarget, fault: fs.DeviceFault, **times_us: float
) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        changed = replace(station.pin.time_base, **times_us)
        place.core.use_time_base(station, changed)
    yield
    for station in victims:
        own = {name: getattr(station.time_base, name) for name in times_us}
        place.core.use_time_base(station, replace(station.pin.time_base, **own))


@contextmanager
def _duplicate_rom(fault: fs.DuplicateRom, place: FaultTarget) -> Iterator[None]:
    original = place.core.station(fault.original).device.rom
    copy = place.core.station(fault.device)
    with _other_rom([copy], lambda _: original):
        yield


@contextmanager
def _wrong_rom_crc(fault: fs.WrongRomCrc, place: FaultTarget) -> Iterator[None]:
    def spoil(rom: RomCode) -> RomCode:
        return RomCode(rom.wire[:7] + bytes([rom.wire[7] ^ fault.flip]))

    with _other_rom(place.victims(fault), spoil):
        yield


@contextmanager
def _zero_rom(fault: fs.ZeroRom, place: FaultTarget) -> Iterator[None]:
    with _other_rom(place.victims(fault), lambda _: RomCode(bytes(8))):
        yield


@contextmanager
def _other_rom(
    victims: list[Station], change: Callable[[RomCode], RomCode]
) -> Iterator[None]:
    for station in victims:
        station.device.rom = change(station.device.rom)
    yield
    for station in victims:
        station.device.rom = station.device.true_rom


@contextmanager
def _stuck_at_power_on(fault: fs.StuckAtPowerOn, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.device.restarts_in_work = True
    yield
    for station in victims:
        station.device.restarts_in_work = False


@contextmanager
def _wrong_bytes(fault: fs.WrongReservedBytes, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.device.wrong_bytes = dict(fault.values)
    yield
    for station in victims:
        station.device.wrong_bytes = {}


@contextmanager
def _supply_dip(fault: fs.SupplyDip, place: FaultTarget) -> Iterator[None]:
    owner = object()
    if fault.device is None:
        place.core.limit_rail(owner, fault.to_v)
        yield
        place.core.limit_rail(owner)
    else:
        supply = place.core.station(fault.device).supply
        supply.dip(fault.to_v)
        yield
        supply.dip()


@contextmanager
def _supply_lead_open(fault: fs.SupplyLeadOpen, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.open_supply_lead(place.core.count_parasites)
    place.core.population_changed()
    yield
    for station in victims:
        station.mend_supply_lead()
    place.core.population_changed()


def unplug_newcomer(fault: fs.HotPlugging, place: FaultTarget) -> None:
    """Before it is plugged in, it is not there."""
    _disconnect(place.core.station(fault.device), fs.ContactFault.ALL)
    place.core.population_changed()


@contextmanager
def _hot_plugging(fault: fs.HotPlugging, place: FaultTarget) -> Iterator[None]:
    core, owner = place.core, object()
    station = core.station(fault.device)
    # an empty capacitor is a short until its charge has come through the pull-up
    share = 1 - station.device.settings.threshold_high_v / core.settings.line.supply_v
    drag_us = core.wiring.line.source_ohm * fault.store_nf * 1e-3 * -log(share)
    is_in = True

    def wake() -> None:
        core.wiring.untie(owner)
        if is_in:
            _reconnect(station)
            core.population_changed()

    core.wiring.tie(owner, ohm=EMPTY_OHM, level_v=0.0)
    place.later(drag_us, wake)
    yield
    is_in = False
    core.wiring.untie(owner)
    unplug_newcomer(fault, place)


@contextmanager
def _damaged_command(fault: fs.DamagedCommand, place: FaultTarget) -> Iterator[None]:
    core, traffic = place.core, HostTraffic()
    last_one = fault.command.bit_length() - 1

    def note(start_us: float) -> None:
        slot = traffic.note(core.next_byte, core.framing)
        if slot is None or slot.layer is not fs.Layer.FUNCTION:
            return
        if slot.place != last_one or slot.value != fault.command:
            return
        for station in place.victims(fault):
            if place.strikes(fault.probability):
                core.agenda.add(
                    start_us + station.pin.times.sample_us - DIP_US / 2,
                    partial(dip, station),
                )

    def dip(station: Station) -> None:
        owner = object()
        station.pin.shift_thresholds(owner, core.settings.line.supply_v)
        place.later(DIP_US, lambda: station.pin.shift_thresholds(owner, 0.0))

    core.before_character.append(note)
    yield
    core.before_character.remove(note)


@contextmanager
def _stretched_reset(fault: fs.StretchedReset, place: FaultTarget) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.pin.stretch_us = fault.low_us
    place.core.population_changed()
    yield
    for station in victims:
        station.pin.stretch_us = 0.0
    place.core.population_changed()


@contextmanager
def _left_in_overdrive(fault: fs.LeftInOverdrive, place: FaultTarget) -> Iterator[None]:
    for station in place.victims(fault):
        station.device.slip_into_overdrive()
    place.core.touch()
    yield  # a reset that is long enough brings it back


DEVICE_EFFECTS: dict[
    type[fs.TimedFault], Callable[[Any, FaultTarget], AbstractContextManager[None]]
] = {
    fs.AbsentDeviceFault: _device_absent,
    fs.DeviceDropsOff: _device_drops_off,
    fs.PresenceLate: _presence_late,
    fs.PresenceLong: _presence_long,
    fs.DuplicateRom: _duplicate_rom,
    fs.WrongRomCrc: _wrong_rom_crc,
    fs.ZeroRom: _zero_rom,
    fs.StuckAtPowerOn: _stuck_at_power_on,
    fs.WrongReservedBytes: _wrong_bytes,
    fs.SupplyDip: _supply_dip,
    fs.SupplyLeadOpen: _supply_lead_open,
    fs.HotPlugging: _hot_plugging,
    fs.DamagedCommand: _damaged_command,
    fs.StretchedReset: _stretched_reset,
    fs.LeftInOverdrive: _left_in_overdrive,
}
"""Fault -> effect."""
