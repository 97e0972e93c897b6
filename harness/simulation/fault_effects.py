"""How each fault does its harm, and undoes it: one context manager a kind.

Faults act on the models of line, device and adapter; no result is overwritten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from harness.simulation import fault_settings as fs
from harness.simulation.adapter import Adapter
from harness.simulation.core import Core
from harness.simulation.station import Station
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What an effect may lay hands on."""

    core: Core
    adapter: Adapter
    random: Random

    def victims(self, fault: fs.DeviceFault) -> list[Station]:
        """The devices a fault is about."""
        if fault.device is None:
            return list(self.core.stations)
        return [self.core.station(fault.device)]

    def sign(self, polarity: fs.Polarity) -> int:
        """+1 or -1."""
        if polarity is fs.Polarity.BOTH:
            return self.random.choice((1, -1))
        return 1 if polarity is fs.Polarity.UP else -1


@contextmanager
def _line_shorted(fault: fs.LineShorted, place: Place) -> Iterator[None]:
    place.core.wiring.tie(fault, ohm=fault.short_ohm, level_v=0.0)
    yield
    place.core.wiring.untie(fault)


@contextmanager
def _line_stuck_high(fault: fs.LineStuckHigh, place: Place) -> Iterator[None]:
    supply_v = place.core.settings.line.supply_v
    place.core.wiring.tie(fault, ohm=fault.source_ohm, level_v=supply_v)
    yield
    place.core.wiring.untie(fault)


@contextmanager
def _weak_pull_up(fault: fs.WeakPullUp, place: Place) -> Iterator[None]:
    place.core.wiring.fit_pull_up(fault.pull_up_ohm)
    yield
    place.core.wiring.fit_pull_up()


@contextmanager
def _extra_capacitance(fault: fs.ExtraCapacitance, place: Place) -> Iterator[None]:
    place.core.wiring.add_capacitance(fault, farad_pf=fault.extra_nf * 1000)
    yield
    place.core.wiring.add_capacitance(fault, farad_pf=0.0)


@contextmanager
def _bit_flips(fault: fs.BitFlips, place: Place) -> Iterator[None]:
    core = place.core

    def maybe_strike(start_us: float) -> None:
        if place.random.random() < fault.probability:
            volts = place.sign(fault.polarity) * core.settings.line.supply_v
            middle_us = 1.5 * core.framing.bit_us
            core.agenda.add(
                start_us + middle_us - fault.width_us / 2,
                lambda: core.wiring.spike(volts=volts, width_us=fault.width_us),
            )

    core.before_character.append(maybe_strike)
    yield
    core.before_character.remove(maybe_strike)


@contextmanager
def _noise_burst(fault: fs.NoiseBurst, place: Place) -> Iterator[None]:
    core, random = place.core, place.random
    is_on = True

    def wait_for_next() -> None:
        gap_us = random.expovariate(fault.rate_per_s) * 1e6
        core.agenda.add(core.now_us + gap_us, strike)

    def strike() -> None:
        if is_on:
            volts = place.sign(fault.polarity) * fault.amplitude_v
            core.wiring.spike(volts=volts, width_us=fault.width_us)
            wait_for_next()

    wait_for_next()
    yield
    is_on = False


@contextmanager
def _device_absent(fault: fs.DeviceAbsent, place: Place) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        _disconnect(station, fs.Contact.ALL)
    place.core.population_changed()
    yield
    for station in victims:
        _reconnect(station)
    place.core.population_changed()


@contextmanager
def _device_drops_off(fault: fs.DeviceDropsOff, place: Place) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        _disconnect(station, fault.contact)
    place.core.population_changed()
    yield
    for station in victims:
        _reconnect(station)
    place.core.population_changed()


def _disconnect(station: Station, contact: fs.Contact) -> None:
    station.detach()
    if contact is fs.Contact.ALL:
        station.supply.connect(False)


def _reconnect(station: Station) -> None:
    station.supply.connect(True)
    station.attach()


@contextmanager
def _presence_late(fault: fs.PresenceLate, place: Place) -> Iterator[None]:
    with _other_times(place, fault, presence_wait_us=fault.wait_us):
        yield


@contextmanager
def _presence_long(fault: fs.PresenceLong, place: Place) -> Iterator[None]:
    with _other_times(place, fault, presence_low_us=fault.low_us):
        yield


@contextmanager
def _other_times(
    place: Place, fault: fs.DeviceFault, **times_us: float
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
def _duplicate_rom(fault: fs.DuplicateRom, place: Place) -> Iterator[None]:
    original = place.core.station(fault.original).device.rom
    copy = place.core.station(fault.device)
    with _other_rom([copy], lambda _: original):
        yield


@contextmanager
def _wrong_rom_crc(fault: fs.WrongRomCrc, place: Place) -> Iterator[None]:
    def spoil(rom: RomCode) -> RomCode:
        return RomCode(rom.wire[:7] + bytes([rom.wire[7] ^ fault.flip]))

    with _other_rom(place.victims(fault), spoil):
        yield


@contextmanager
def _zero_rom(fault: fs.ZeroRom, place: Place) -> Iterator[None]:
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
def _stuck_at_power_on(fault: fs.StuckAtPowerOn, place: Place) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.device.restarts_in_work = True
    yield
    for station in victims:
        station.device.restarts_in_work = False


@contextmanager
def _wrong_bytes(fault: fs.WrongReservedBytes, place: Place) -> Iterator[None]:
    victims = place.victims(fault)
    for station in victims:
        station.device.wrong_bytes = dict(fault.values)
    yield
    for station in victims:
        station.device.wrong_bytes = {}


@contextmanager
def _adapter_no_echo(fault: fs.AdapterNoEcho, place: Place) -> Iterator[None]:
    place.adapter.hears = False
    yield
    place.adapter.hears = place.core.settings.adapter.echo


@contextmanager
def _adapter_drops_bytes(fault: fs.AdapterDropsBytes, place: Place) -> Iterator[None]:
    place.adapter.drop_probability = fault.probability
    yield
    place.adapter.drop_probability = 0.0


@contextmanager
def _adapter_unplugged(fault: fs.AdapterUnplugged, place: Place) -> Iterator[None]:
    place.adapter.unplug()
    yield
    place.adapter.plug()


@contextmanager
def _latency_jitter(fault: fs.LatencyJitter, place: Place) -> Iterator[None]:
    place.adapter.jitter_ms = fault.extra_ms
    place.adapter.jitter_probability = fault.probability
    yield
    place.adapter.jitter_probability = 0.0


EFFECTS: dict[
    type[fs.TimedFault], Callable[[Any, Place], AbstractContextManager[None]]
] = {
    fs.LineShorted: _line_shorted,
    fs.LineStuckHigh: _line_stuck_high,
    fs.WeakPullUp: _weak_pull_up,
    fs.ExtraCapacitance: _extra_capacitance,
    fs.BitFlips: _bit_flips,
    fs.NoiseBurst: _noise_burst,
    fs.DeviceAbsent: _device_absent,
    fs.DeviceDropsOff: _device_drops_off,
    fs.PresenceLate: _presence_late,
    fs.PresenceLong: _presence_long,
    fs.DuplicateRom: _duplicate_rom,
    fs.WrongRomCrc: _wrong_rom_crc,
    fs.ZeroRom: _zero_rom,
    fs.StuckAtPowerOn: _stuck_at_power_on,
    fs.WrongReservedBytes: _wrong_bytes,
    fs.AdapterNoEcho: _adapter_no_echo,
    fs.AdapterDropsBytes: _adapter_drops_bytes,
    fs.AdapterUnplugged: _adapter_unplugged,
    fs.LatencyJitter: _latency_jitter,
}
"""Fault -> effect."""
