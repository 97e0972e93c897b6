"""Logger for temperature, or temperature and humidity: 41h.

Commands and registers are in ``climate.memory``, the setup of missions in
``climate.mission``, logs in ``climate.log``, forced conversions in ``climate.readings``,
scales and correction in ``climate.scales``. Values are corrected by the part's own
calibration where that is understood (models L and temperature with humidity); evidence
has them as they came.

Passwords and writing the calibration are left out: a lost password locks the part for
ever, and a spoilt calibration cannot be got back.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, 32 and 45-49, DS1922E p. 17 and
40, DS1923 p. 3-24 and 48-52).
"""

from __future__ import annotations

from harness.families.common.answers import shown
from harness.families.common.memory import memory_checks
from harness.families.common.timekeeping import clock_checks
from harness.families.family import (
    Check,
    Family,
    Findings,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.loggers import commands
from harness.families.loggers.climate.log import model_of, read_log
from harness.families.loggers.climate.memory import (
    USER_MEMORY,
    ClimateRegisters,
    clear,
    read_calibration,
    read_registers,
    start,
    start_oscillator,
    stop,
)
from harness.families.loggers.climate.mission import LOGGER, setup_page
from harness.families.loggers.climate.readings import read_humidity, read_temperature
from harness.families.loggers.climate.scales import temperature_points
from harness.families.loggers.missions.log import HIGH, LOW, judged_log
from harness.families.loggers.missions.quantities import (
    LOOKS,
    mission_quantities,
    register_quantity,
)
from harness.families.loggers.missions.run import (
    forced_temperature,
    log_check,
    mission_check,
    mission_values,
    run_mission,
    stop_check,
)
from harness.records import Measurement

_LONGEST_PERIOD_S = 0x3FFF


# -- quantities --------------------------------------------------------------------


def _words(registers: ClimateRegisters) -> str:
    words = ["mission in progress" if registers.mission else "no mission"]
    words += [f"{name} flag" for name in registers.flags]
    words += [] if registers.runs else ["oscillator off"]
    return ", ".join(words)


_QUANTITIES = (
    forced_temperature(read_temperature),
    Quantity(
        name="humidity",
        unit="%RH",
        read=read_humidity,
        about="likewise; only some models measure it",
    ),
    register_quantity(
        read_registers, "logger_model", "kind of logger", lambda r: model_of(r).name
    ),
    register_quantity(
        read_registers, "logger_status", "mission, flags, oscillator, in words", _words
    ),
    *mission_quantities(read_registers, ClimateRegisters),
)


# -- log ---------------------------------------------------------------------------


def _log_findings(
    session: Session, options: Options, registers: ClimateRegisters
) -> tuple[tuple[Measurement, ...], dict[str, object]]:
    degc, rh = read_log(session, registers)
    values = judged_log(degc, options) if degc else ()
    if rh:
        values += judged_log(rh, options, name="humidity_log", unit="%RH")
    return values, {
        "start": registers.started,
        "samples_degc": degc[:100],
        "samples_rh": rh[:100],
    }


def _log(session: Session, options: Options) -> Findings:
    registers = read_registers(session)
    values, evidence = _log_findings(session, options, registers)
    count = Measurement(name="mission_samples", value=registers.samples, unit="samples")
    return Findings(measurements=(count, *values), evidence=evidence)


def _alarms(session: Session, options: Options) -> Findings:
    registers = read_registers(session)
    return Findings(
        measurements=(
            Measurement(
                name="flags",
                value=", ".join(registers.flags) or "none",
                wanted=options.text("wanted"),
            ),
        )
    )


# -- missions ----------------------------------------------------------------------


def _mission(session: Session, options: Options) -> Findings:
    held = stop(session)
    model = model_of(held)
    setup_page(session, options, model)  # refuses before anything is lost
    session.note("clearing a logger", start=held.started, samples=held.samples)
    start_oscillator(session)
    clear(session)
    running, after = run_mission(
        LOGGER,
        session,
        lambda: start(session, setup_page(session, options, model)),
        wanted=options.whole("samples"),
        period_s=options.whole("period_s"),
    )
    values, evidence = _log_findings(session, options, after)
    return Findings(
        measurements=mission_values(options, after, ", ".join(running.flags), *values),
        evidence=evidence,
    )


def _calibration(session: Session, options: Options) -> Findings:
    page = read_calibration(session)
    model = model_of(read_registers(session))
    values = [Measurement(name="calibration_holds", value=True, wanted=True)]
    if model.corrected:
        most = options.number("most_degc")
        errors = [abs(error) for _, error in temperature_points(page, model)]
        values.append(
            Measurement(
                name="largest_correction", value=max(errors), unit="degC", high=most
            )
        )
    return Findings(measurements=tuple(values), evidence={"page": shown(page)})


# -- rows --------------------------------------------------------------------------

_LOW_RH = Option.number("low_rh", "lowest allowed humidity")
_HIGH_RH = Option.number("high_rh", "highest allowed humidity")
_MISSION_OPTIONS = (
    Option.whole(
        "period_s",
        "seconds from sample to sample",
        default=10,
        low=1,
        high=_LONGEST_PERIOD_S,
    ),
    Option.truth("fine", "sixteen bits a sample instead of eight", default=True),
    Option.truth("humidity", "log humidity too; default is whatever the device can"),
    LOW,
    HIGH,
    _LOW_RH,
    _HIGH_RH,
)
_CHECKS = (
    *clock_checks(LOGGER.clock),
    mission_check(_mission, *_MISSION_OPTIONS, expected_s=25),
    stop_check(LOGGER),
    log_check(_log, LOW, HIGH, _LOW_RH, _HIGH_RH, expected_s=5),
    Check(
        name="alarms",
        about="which thresholds were passed",
        run=_alarms,
        options=by_name(
            Option.text("wanted", "none, or such as: high, low", default="none")
        ),
    ),
    Check(
        name="calibration",
        about="the factory calibration holds by its check byte and is small",
        run=_calibration,
        options=by_name(
            Option.number(
                "most_degc", "largest correction of temperature", default=2, low=0
            )
        ),
    ),
    *memory_checks(USER_MEMORY),
)

FAMILIES = (
    Family(
        code=0x41,
        name="logger, temperature or temperature and humidity",
        device_class="logger",
        typical_parts="DS1922L, DS1922T, DS1922E, DS1923, DS2422",
        commands=commands.CLIMATE,
        restarts=commands.RESTARTS,
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_CHECKS),
        looks=looks(*LOOKS),
        destructive="a mission erases the results of the last one",
        facts="CRC-16 on scratchpad and pages, CRC-8 on calibration; no passwords",
    ),
)
