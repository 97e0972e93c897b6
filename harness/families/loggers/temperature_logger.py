"""Temperature logger: 21h, wide range and two finer ones.

    0000-01FF user RAM        0200-0206 clock    0207-020A clock alarm
    020B 020C thresholds      020D period, min   020E control: b7 oscillator off, b6
    clear enable, b4 mission disable, b3 overwrite, b2 b1 b0 what a search finds
    0211 forced conversion    0212-0213 delay    0214 status: b7 idle, b6 cleared, b5
    mission, b4 sampling, b2 low flag, b1 high flag, b0 clock flag
    0215-0219 start           021A-021C samples  021D-021F samples of a lifetime
    0220-024F low alarms      0250-027F high alarms, twelve of four bytes each
    0800-087F histogram, two bytes a bin, four steps wide      1000-17FF log

A write to 0200-0213 ends a running mission, so nothing here does it unasked. Commands
are in ``memory``.

Sources: data sheets family 21h (parts DS1921G p. 10-17 and 35-40, DS1921H/Z p. 9-14,
22-23 and 39). The time of a forced conversion: from memory.
"""

from __future__ import annotations

from datetime import UTC

from harness.errors import ReadingImplausible
from harness.families.common import scratchpad
from harness.families.common.memory import Memory, memory_checks
from harness.families.common.timekeeping import clock_checks
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Option,
    Options,
    Session,
    by_name,
    looks,
)
from harness.families.loggers import commands
from harness.families.loggers.memory import (
    CLOCK_AT,
    CONVERT_S,
    FLAGS,
    IDLE,
    PAD,
    PAGE,
    LoggerRegisters,
    clear,
    range_of,
    read_alarms,
    read_histogram,
    read_log,
    read_pages,
    read_registers,
    start,
    start_oscillator,
    status_words,
    stop,
    write_clock,
)
from harness.families.loggers.missions.log import HIGH, LOW, judged_log
from harness.families.loggers.missions.quantities import (
    LOOKS,
    mission_quantities,
    register_quantity,
)
from harness.families.loggers.missions.run import (
    Logger,
    forced_temperature,
    log_check,
    mission_check,
    mission_values,
    run_mission,
    stop_check,
)
from harness.records import Measurement

CONVERT, READ_MEMORY = 0x44, 0xF0

LOGGER = Logger(
    read=read_registers,
    peek=bytes([READ_MEMORY]) + CLOCK_AT.to_bytes(2, "little"),
    write_clock=write_clock,
    start_oscillator=start_oscillator,
    stop=stop,
    hindrance="this would end it",
)


# -- quantities --------------------------------------------------------------------


def _temperature(session: Session) -> Answer:
    before = LOGGER.require_idle(read_registers(session))
    session.transact(bytes([CONVERT]))
    session.clock.sleep(CONVERT_S)
    after = read_registers(session)
    if after.lifetime != before.lifetime + 1 or not after.status & IDLE:
        raise ReadingImplausible(
            f"the conversion did not happen: {before.lifetime} samples of a lifetime "
            f"before, {after.lifetime} after, status {after.status:02X}h",
            hint="the value shown is an old one: look at the oscillator and the cell",
        )
    scale, raw = range_of(session), after.block[0x11]
    return Answer(value=scale.degc(raw), evidence={"raw": raw, "range": scale.name})


_QUANTITIES = (
    forced_temperature(_temperature),
    register_quantity(
        read_registers,
        "logger_status",
        "mission, flags, oscillator, in words",
        status_words,
    ),
    *mission_quantities(read_registers, LoggerRegisters),
)


# -- what a mission leaves ---------------------------------------------------------


def _alarm_values(
    session: Session, most: int | None = None
) -> tuple[tuple[Measurement, ...], dict[str, object]]:
    alarms = read_alarms(session)
    values = tuple(
        Measurement(
            name=f"{name}_alarms",
            value=sum(duration for _, duration in rows),
            unit="samples",
            high=most,
        )
        for name, rows in alarms.items()
    )
    return values, {f"{name}_alarms": rows for name, rows in alarms.items()}


def _histogram_value(session: Session, registers: LoggerRegisters) -> Measurement:
    bins = read_histogram(session)
    full = 0xFFFF in bins
    return Measurement(
        name="histogram_sum",
        value=sum(bins),
        unit="samples",
        low=None if full else registers.samples,
        high=registers.samples,
    )


def _log(session: Session, options: Options) -> Findings:
    registers = read_registers(session)
    samples = read_log(session, registers)
    return Findings(
        measurements=judged_log(samples, options),
        evidence={"start": registers.started, "samples_degc": samples[:100]},
    )


def _histogram(session: Session, options: Options) -> Findings:
    registers = read_registers(session)
    bins = read_histogram(session)
    scale = range_of(session)
    return Findings(
        measurements=(_histogram_value(session, registers),),
        evidence={
            "bins": {f"{scale.degc(4 * n):g} degC": c for n, c in enumerate(bins) if c}
        },
    )


def _alarms(session: Session, options: Options) -> Findings:
    registers = read_registers(session)
    values, evidence = _alarm_values(session, options.whole("most"))
    return Findings(
        measurements=values, evidence={"status": f"{registers.status:02X}", **evidence}
    )


# -- missions ----------------------------------------------------------------------


def _mission(session: Session, options: Options) -> Findings:
    scale, period_min = range_of(session), options.whole("period_min")
    low, high = scale.degc(0), scale.degc(0xFF)
    if options.given("low_degc"):
        low = options.number("low_degc")
    if options.given("high_degc"):
        high = options.number("high_degc")
    thresholds = bytes([scale.raw(low), scale.raw(high)])
    held = stop(session)
    session.note("clearing a logger", start=held.started, samples=held.samples)
    start_oscillator(session)
    write_clock(session, session.clock.calendar().astimezone(UTC))
    clear(session)
    running, after = run_mission(
        LOGGER,
        session,
        lambda: start(session, thresholds, period_min, 0x06),
        wanted=options.whole("samples"),
        period_s=60.0 * period_min,
    )
    return _results(session, options, running, after)


def _results(
    session: Session, options: Options, running: LoggerRegisters, after: LoggerRegisters
) -> Findings:
    samples = read_log(session, after)
    values, evidence = _alarm_values(session)
    return Findings(
        measurements=mission_values(
            options,
            after,
            ", ".join(
                name
                for name, bit in FLAGS.items()
                if name != "clock" and running.status & bit
            ),
            *judged_log(samples, options),
            _histogram_value(session, after),
            *values,
        ),
        evidence={"start": after.started, "samples_degc": samples[:100], **evidence},
    )


# -- rows --------------------------------------------------------------------------

_MEMORY = Memory(
    size=PAD.size,
    read=lambda session, at, length: read_pages(
        session, at - at % PAGE, (at % PAGE + length - 1) // PAGE + 1
    )[at % PAGE : at % PAGE + length],
    write=lambda session, at, data: scratchpad.write(session, PAD, at, data),
)
_CHECKS = (
    *clock_checks(LOGGER.clock),
    mission_check(
        _mission,
        Option.whole(
            "period_min", "minutes from sample to sample", default=1, low=1, high=255
        ),
        LOW,
        HIGH,
        expected_s=185,
    ),
    stop_check(LOGGER),
    log_check(_log, LOW, HIGH, expected_s=1.5),
    Check(
        name="histogram",
        about="the bins hold as many samples as the mission took",
        run=_histogram,
    ),
    Check(
        name="alarms",
        about="how many samples lay outside the thresholds",
        run=_alarms,
        options=by_name(
            Option.whole("most", "allowed, low and high each", default=0, low=0)
        ),
    ),
    *memory_checks(_MEMORY),
)

FAMILIES = (
    Family(
        code=0x21,
        name="temperature logger",
        device_class="logger",
        typical_parts="DS1921G, DS1921H, DS1921Z",
        commands=commands.TEMPERATURE,
        restarts=commands.RESTARTS,
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_CHECKS),
        looks=looks(*LOOKS),
        counts_conversions=True,
        destructive="a mission erases the results of the last one",
        facts="CRC-16 on scratchpad and pages; each conversion drains a sealed cell",
    ),
)
