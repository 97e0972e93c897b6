"""Missions of a logger for temperature and humidity: set up as asked, and run.

Registers cannot be written during a mission.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, 32 and 45-49, DS1923 p. 14-24
and 48-52). Bits of 0211 and 0213: from memory.
"""

from __future__ import annotations

from datetime import UTC

from harness.errors import UsageError
from harness.families.common.timekeeping import calendar_bytes
from harness.families.family import Options, Session
from harness.families.loggers.climate.memory import (
    CLOCK_AT,
    FINE_HUMIDITY,
    FINE_TEMPERATURE,
    IN_SECONDS,
    LOG_HUMIDITY,
    LOG_TEMPERATURE,
    NO_PASSWORD,
    READ,
    RUNS,
    read_registers,
    start_oscillator,
    stop,
    write_clock,
)
from harness.families.loggers.climate.scales import Model, degc_8
from harness.families.loggers.missions.run import Logger


def _threshold(options: Options, name: str, model: Model, *, fallback: int) -> int:
    if not options.given(name):
        return fallback
    raw = round((options.number(name) - model.zero_degc) * 2)
    if not 0 <= raw <= 0xFF:
        raise UsageError(
            f"{name} is {options.number(name):g}",
            hint=f"{degc_8(0, model):g} to {degc_8(0xFF, model):g} degC",
        )
    return raw


def setup_page(session: Session, options: Options, model: Model) -> bytes:
    """The first register page for a mission.

    Raises:
        UsageError: a threshold outside the range, humidity of a part without it.
    """
    humidity = (
        options.truth("humidity") if options.given("humidity") else model.humidity
    )
    if humidity and not model.humidity:
        raise UsageError(f"this logger ({model.name}) does not measure humidity")
    control = 0xC0 | LOG_TEMPERATURE | (LOG_HUMIDITY if humidity else 0)
    if options.truth("fine"):
        control |= FINE_TEMPERATURE | (FINE_HUMIDITY if humidity else 0)
    enables = options.given("low_degc") | options.given("high_degc") << 1
    return (
        calendar_bytes(session.clock.calendar().astimezone(UTC), weekday=False)
        + options.whole("period_s").to_bytes(2, "little")
        + bytes(
            [
                _threshold(options, "low_degc", model, fallback=0x00),
                _threshold(options, "high_degc", model, fallback=0xFF),
            ]
        )
        + bytes.fromhex("00 FF FF FF FF FF")
        + bytes([enables, 0xFC, RUNS | IN_SECONDS, control, 0xFF, 0xFF, 0, 0, 0])
        + b"\xff" * 7
    )


LOGGER = Logger(
    read=read_registers,
    peek=bytes([READ]) + CLOCK_AT.to_bytes(2, "little") + NO_PASSWORD,
    write_clock=write_clock,
    start_oscillator=start_oscillator,
    stop=stop,
    hindrance="its settings cannot be changed",
)
