"""Benches with faults of memories, switches, loggers and battery monitors.

Devices, serial numbers and values are invented.
"""

from __future__ import annotations

from random import Random
from typing import Any

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.driver.session import DeviceSession
from harness.families.loggers import memory as logger_memory
from harness.families.loggers.climate import memory as climate_memory
from harness.wire.romcode import RomCode
from tests.diagnosis.benches import Bench, bench, probes
from tests.diagnosis.kinds import CALENDAR, LOGGERS, one


def sessions(bus: Bus, family: int) -> list[DeviceSession]:
    """A session with each device of a kind, as some other program would have it."""
    found = enumerate_devices(bus).found
    return [DeviceSession(bus, rom) for rom in found if rom.family == family]


# -- F22 -----------------------------------------------------------------------------

ROW = "11 22 33 44 55 66 77 88"
WRITE_ROW = f"""\
- check:
    function: memory_write
    with: {{start: 0x20, data: "{ROW}"}}
    hazard: [memory-wear]
"""


def f22_dip(r: Random) -> Bench:
    """The bench's supply dips some milliseconds into the store."""
    fault = {
        "kind": "supply-dip",
        "to_v": r.uniform(2.4, 2.7),
        "for_s": r.uniform(0.001, 0.003),
        "when": {"command": 0x55, "layer": "function", "wait_ms": r.uniform(3, 7)},
    }
    line = {"pull_up_ohm": r.choice([1000, 1500])}
    return bench(r, fault, devices=_eeprom_and_probes(r), line=line)


def f22_weak(r: Random) -> Bench:
    """A plain pull-up that cannot feed a store."""
    line = {"pull_up_ohm": r.choice([3300, 4700])}
    return bench(r, devices=_eeprom_and_probes(r), line=line)


def f22_weak_twin(r: Random) -> Bench:
    """One that can."""
    return bench(r, devices=_eeprom_and_probes(r), line={"pull_up_ohm": 1000})


def _eeprom_and_probes(r: Random) -> list[Bench]:
    return [one(r, r.choice([0x2D, 0x43])), *probes(r, 2)]


def f22_protected(r: Random) -> Bench:
    """Page 1 holds other data and is read-only for ever."""
    content = "00" * 0x80 + "00 55 00 00"
    return bench(r, devices=[one(r, 0x2D, content=content), *probes(r, 2)])


def f22_protected_twin(r: Random) -> Bench:
    """The same part with its pages open."""
    return bench(r, devices=[one(r, 0x2D, content="00" * 0x80), *probes(r, 2)])


def f22_locked(r: Random) -> Bench:
    """Page 1 is read-only and copies to it are blocked; the row holds what is written."""
    content = "00" * 0x20 + ROW + "00" * 0x58 + "00 55 00 00 55"
    return bench(r, devices=[one(r, 0x2D, content=content), *probes(r, 2)])


# -- F25 -----------------------------------------------------------------------------


def _poll(r: Random, rom: RomCode, when: Bench) -> Bench:
    return {
        "kind": "other-master",
        "period_s": 1000,
        "for_s": 0.05,
        "reset_us": r.uniform(490, 600),
        "sends": "55" + rom.wire.hex(),
        "when": when,
    }


def f25_polled(r: Random) -> Bench:
    """Another program matches the switch while this one waits for its marker."""
    switch = one(r, 0x05)
    rom = RomCode.build(0x05, switch["serial"])
    when = {
        "command": 0x4E,
        "layer": "function",
        "wait_ms": r.uniform(150, 800),
        "times": 1,
    }
    return bench(r, _poll(r, rom, when), devices=[switch, *probes(r, 2)])


def f25_polled_in_a_step(r: Random) -> Bench:
    """The same while a step of a plan waits."""
    switch = one(r, 0x05)
    rom = RomCode.build(0x05, switch["serial"])
    fault = _poll(r, rom, {}) | {"at_s": r.uniform(3.0, 9.0), "for_s": 0.05}
    del fault["when"]
    return bench(r, fault, devices=[switch, *probes(r, 2)])


WAIT = """\
- enumerate: {}
- wait: {for_s: 10}
"""


# -- F26 -----------------------------------------------------------------------------


def _logger(r: Random, family: int, **more: Any) -> Bench:  # noqa: ANN401
    clock = {"clock": CALENDAR.isoformat(), **more}
    return bench(r, devices=[one(r, family, **clock), *probes(r, 1)])


def f26_oscillator(r: Random) -> Bench:
    """A logger whose mission another program starts with the oscillator off."""
    return _logger(r, 0x21)


def start_without_oscillator(bus: Bus) -> None:
    """Clear, stop the oscillator, start: the mission flag is set and nothing samples."""
    for session in sessions(bus, 0x21):
        logger_memory.clear(session)
        logger_memory.write_registers(session, logger_memory.CONTROL_AT, b"\x80")
        logger_memory.write_registers(
            session, logger_memory.THRESHOLDS_AT, b"\x00\xff\x05"
        )
    bus.clock.sleep(1200)


def f26_not_started(r: Random) -> Bench:
    """A logger of either kind, cleared for a mission, its oscillator never started."""
    return _logger(r, 0x41, oscillator_on=False)


def clear_only(bus: Bus) -> None:
    """Clear, and forget the oscillator."""
    for session in sessions(bus, 0x41):
        climate_memory.clear(session)


def f26_drift(r: Random) -> Bench:
    """A crystal far off, seen some weeks after the mission began."""
    ppm = r.choice([-1, 1]) * r.uniform(80, 300)
    return _logger(r, r.choice(LOGGERS), clock_ppm=ppm)


def f26_drift_twin(r: Random) -> Bench:
    """A crystal as promised."""
    return _logger(r, r.choice(LOGGERS), clock_ppm=r.uniform(-30, 30))


def weeks_of_mission(bus: Bus) -> None:
    """A mission right from the start, one sample in four hours, for thirty days."""
    for session in sessions(bus, 0x21):
        logger_memory.clear(session)
        logger_memory.start(session, b"\x00\xff", 240, 0x06)
    for session in sessions(bus, 0x41):
        climate_memory.clear(session)
        setup = bytearray(climate_memory.read_registers(session).block[:32])
        setup[0x06:0x08] = (240).to_bytes(2, "little")
        setup[0x12] = climate_memory.RUNS
        climate_memory.start(session, bytes(setup))
    bus.clock.sleep(30 * 86_400)


DRIFT = """\
- check: {function: clock_drift, with: {for_s: 7200}}
"""


# -- F27 -----------------------------------------------------------------------------


def f27_offset(r: Random) -> Bench:
    """An offset that nobody trimmed, the load open."""
    counts = r.choice([-1, 1]) * r.uniform(2.6, 9)
    return bench(r, devices=[one(r, 0x26, offset_counts=counts), *probes(r, 1)])


def f27_moving(r: Random) -> Bench:
    """A converter that wanders by itself."""
    device = one(
        r,
        0x26,
        offset_counts=r.uniform(-2, 2),
        wander_counts=r.uniform(3, 8),
        wander_s=r.uniform(0.5, 2),
    )
    return bench(r, devices=[device, *probes(r, 1)])


def f27_load(r: Random) -> Bench:
    """A real current, and a fixture that says nothing about it."""
    device = one(r, 0x26, current_a=r.choice([-1, 1]) * r.uniform(0.05, 2))
    return bench(r, devices=[device, *probes(r, 1)])


def f27_twin(r: Random) -> Bench:
    """A trimmed converter."""
    return bench(
        r, devices=[one(r, 0x26, offset_counts=r.uniform(-1, 1)), *probes(r, 1)]
    )


OFFSET = """\
- check: {function: current_offset}
"""


# -- other kinds, F09 and F19 among them ---------------------------------------------


def dead_logger(r: Random) -> Bench:
    """A logger that some program told to convert with its oscillator off."""
    return _logger(r, 0x41, oscillator_on=False)


def kill(bus: Bus) -> None:
    """A forced conversion, which such a part does not outlive (its data sheet says so)."""
    for session in sessions(bus, 0x41):
        session.transact(bytes([climate_memory.CONVERT, 0xFF]))
    bus.clock.sleep(1.0)


def f09_other_kind(r: Random) -> Bench:
    """Two switches of one ROM code whose latches are not alike."""
    devices = [one(r, 0x29), one(r, 0x29)]
    fault = {"kind": "duplicate-rom", "device": "S2", "original": "S1"}
    return bench(r, fault, devices=[*devices, *probes(r, 2)])


def f19_other_kind(r: Random) -> Bench:
    """The supply wire of a part other than a thermometer is broken."""
    fault = {"kind": "supply-lead-open", "device": "S1"}
    devices = [one(r, r.choice([0x29, 0x3B, 0x42])), *probes(r, 2)]
    return bench(r, fault, devices=devices, line={"pull_up_ohm": 1000})
