"""How each fault of the line does its harm, and undoes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from math import inf
from typing import Any

from harness.simulation.devices.mounted_device import Station
from harness.simulation.faults import settings as fs
from harness.simulation.faults.target import FaultTarget

RECHECK_US = 10e6
"""How often leakage is worked out again where temperatures drift."""

STAGE_OHM = 50.0
"""Of a pull that no fixture describes: typical for a device."""


@contextmanager
def _line_shorted(fault: fs.ShortedLineFault, place: FaultTarget) -> Iterator[None]:
    place.core.wiring.tie(fault, ohm=fault.short_ohm, level_v=0.0)
    yield
    place.core.wiring.untie(fault)


@contextmanager
def _line_stuck_high(fault: fs.LineStuckHigh, place: FaultTarget) -> Iterator[None]:
    supply_v = place.core.settings.line.supply_v
    place.core.wiring.tie(fault, ohm=fault.source_ohm, level_v=supply_v)
    yield
    place.core.wiring.untie(fault)


@contextmanager
def _weak_pull_up(fault: fs.WeakPullUp, place: FaultTarget) -> Iterator[None]:
    place.core.wiring.fit_pull_up(fault.pull_up_ohm)
    yield
    place.core.wiring.fit_pull_up()


@contextmanager
def _extra_capacitance(
    fault: fs.ExtraCapacitance, place: FaultTarget
) -> Iterator[None]:
    place.core.wiring.add_capacitance(fault, farad_pf=fault.extra_nf * 1000)
    yield
    place.core.wiring.add_capacitance(fault, farad_pf=0.0)


@contextmanager
def _bit_flips(fault: fs.BitFlips, place: FaultTarget) -> Iterator[None]:
    core = place.core

    def maybe_strike(start_us: float) -> None:
        if place.strikes(fault.probability):
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
def _noise_burst(fault: fs.NoiseBurst, place: FaultTarget) -> Iterator[None]:
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
def _lifted_low(fault: fs.LiftedLow, place: FaultTarget) -> Iterator[None]:
    core, wiring = place.core, place.core.wiring
    owner, before_v = object(), wiring.host_low_v
    wiring.host_low_v = fault.low_v
    wiring.redrive()
    core.set_oddity(owner, ("host low", fault.low_v))
    yield
    wiring.host_low_v = before_v
    wiring.redrive()
    core.set_oddity(owner)


@contextmanager
def _ground_lift(fault: fs.GroundLift, place: FaultTarget) -> Iterator[None]:
    owner = object()
    lift = _lift_adapter if fault.side is fs.BranchSide.ADAPTER else _lift_devices
    victims = place.victims(fault)
    place.core.set_oddity(owner, (fault.side, fault.device, fault.lift_v))
    lift(place, victims, owner, fault.lift_v)
    yield
    lift(place, victims, owner, 0.0)
    place.core.set_oddity(owner)


def _lift_adapter(
    place: FaultTarget, _victims: list[Station], _owner: object, volts: float
) -> None:
    place.core.wiring.host_lift_v = volts
    place.core.wiring.redrive()
    place.core.uart.lift(volts)


def _lift_devices(
    _place: FaultTarget, victims: list[Station], owner: object, volts: float
) -> None:
    for station in victims:
        station.pin.ground_v = volts
        station.pin.shift_thresholds(owner, volts)


@contextmanager
def _branch_dips(fault: fs.BranchDips, place: FaultTarget) -> Iterator[None]:
    core = place.core
    victims = place.victims(fault)

    def maybe_dip(start_us: float) -> None:
        for at_us, level in core.framing.transitions(core.next_byte):
            if level == 1 and place.strikes(fault.probability):
                core.agenda.add(start_us + at_us + fault.after_us, dip)

    def dip() -> None:
        owner = object()
        for station in victims:
            station.pin.shift_thresholds(owner, fault.dip_v)
        place.later(fault.dip_us, lambda: recover(owner))

    def recover(owner: object) -> None:
        for station in victims:
            station.pin.shift_thresholds(owner, 0.0)

    core.before_character.append(maybe_dip)
    yield
    core.before_character.remove(maybe_dip)


@contextmanager
def _leakage(fault: fs.Leakage, place: FaultTarget) -> Iterator[None]:
    core = place.core
    line, engine = core.wiring.line, core.wiring.engine
    owner = object()
    is_on = True

    def leak_ua(station: Station) -> float:
        degc = getattr(station.device, "temperature_degc", fault.otherwise_degc)
        doublings = (degc - fault.at_degc) / fault.doubles_every_k
        return fault.per_device_ua * float(2**doublings)

    def look() -> None:
        if not is_on:
            return
        total_ua = sum(leak_ua(s) for s in core.stations if s.is_attached)
        line.leak(owner, at_us=engine.now_us, amperes=total_ua * 1e-6)
        core.touch()
        if any(_drifts(station) for station in core.stations):
            place.later(RECHECK_US, look)

    look()
    yield
    is_on = False
    line.leak(owner, at_us=engine.now_us, amperes=0.0)
    core.touch()


def _drifts(station: Station) -> bool:
    return bool(getattr(station.device.settings, "drift_degc_per_h", 0.0))


@contextmanager
def _thermostat_output(
    fault: fs.ThermostatOutput, place: FaultTarget
) -> Iterator[None]:
    wiring = place.core.wiring
    owner = object()
    is_hot = fault.temperature_degc > fault.trip_degc
    if is_hot:
        wiring.tie(owner, ohm=STAGE_OHM, level_v=0.0)
        if fault.cools_k_per_min:
            place.later(_cooling_us(fault), lambda: wiring.untie(owner))
    yield
    wiring.untie(owner)


def _cooling_us(fault: fs.ThermostatOutput) -> float:
    minutes = (fault.temperature_degc - fault.trip_degc) / fault.cools_k_per_min
    return minutes * 60e6


@contextmanager
def _other_master(fault: fs.OtherMaster, place: FaultTarget) -> Iterator[None]:
    lows = [(0.0, fault.reset_us)]
    start_us = 2 * fault.reset_us
    for is_one in _written(fault):
        lows.append((start_us, 8.0 if is_one else 60.0))
        start_us += 80.0
    with _calls(place, lows, ohm=fault.low_ohm, period_us=fault.period_s * 1e6):
        yield


def _written(fault: fs.OtherMaster) -> list[bool]:
    """Its slots: bytes from the least bit on, or any mixture of ones and zeros."""
    if not fault.sends:
        return [bool(slot % 3) for slot in range(fault.slots)]
    sent = bytes.fromhex(fault.sends)
    return [bool(byte >> place & 1) for byte in sent for place in range(8)]


@contextmanager
def _signalling_part(fault: fs.SignallingPart, place: FaultTarget) -> Iterator[None]:
    period_us = inf if fault.period_s is None else fault.period_s * 1e6
    with _calls(place, [(0.0, fault.low_us)], ohm=STAGE_OHM, period_us=period_us):
        yield


@contextmanager
def _calls(
    place: FaultTarget, lows: list[tuple[float, float]], *, ohm: float, period_us: float
) -> Iterator[None]:
    """Lows, as (start, length), now and again after each period."""
    wiring = place.core.wiring
    owner = object()
    is_on = True

    def pull() -> None:
        if is_on:
            wiring.tie(owner, ohm=ohm, level_v=0.0)

    def play() -> None:
        if not is_on:
            return
        for start_us, length_us in lows:
            place.later(start_us, pull)
            place.later(start_us + length_us, lambda: wiring.untie(owner))
        if period_us < inf:
            place.later(period_us, play)

    play()
    yield
    is_on = False
    wiring.untie(owner)


LINE_EFFECTS: dict[
    type[fs.TimedFault], Callable[[Any, FaultTarget], AbstractContextManager[None]]
] = {
    fs.ShortedLineFault: _line_shorted,
    fs.LineStuckHigh: _line_stuck_high,
    fs.WeakPullUp: _weak_pull_up,
    fs.ExtraCapacitance: _extra_capacitance,
    fs.BitFlips: _bit_flips,
    fs.NoiseBurst: _noise_burst,
    fs.LiftedLow: _lifted_low,
    fs.GroundLift: _ground_lift,
    fs.BranchDips: _branch_dips,
    fs.Leakage: _leakage,
    fs.ThermostatOutput: _thermostat_output,
    fs.OtherMaster: _other_master,
    fs.SignallingPart: _signalling_part,
}
"""Fault -> effect."""
