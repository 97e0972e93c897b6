"""Logger for temperature, or temperature and humidity: 41h.

Commands and registers are in ``shapes.climate_memory``, scales and correction in
``shapes.climate_scales``. Values are corrected by the part's own calibration where that
is understood (models L and temperature with humidity); evidence has them as they came.

Passwords and writing the calibration are left out: a lost password locks the part for
ever, and a spoilt calibration cannot be got back.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, 32 and 45-49, DS1922E p. 17 and
40, DS1923 p. 3-24 and 48-52).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC

from harness.errors import (
    AnswerImpossible,
    ReadingImplausible,
    UsageError,
)
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.shapes import scratchpad
from harness.families.shapes.answers import shown
from harness.families.shapes.climate_log import (
    calibration,
    model_of,
    read_log,
    right,
)
from harness.families.shapes.climate_memory import (
    CLOCK_AT,
    CONVERT,
    CONVERT_S,
    FINE_HUMIDITY,
    FINE_TEMPERATURE,
    FLAGS,
    IN_SECONDS,
    LOG_HUMIDITY,
    LOG_TEMPERATURE,
    NO_PASSWORD,
    OSCILLATOR,
    PAD,
    PAGE,
    READ,
    RUNS,
    Registers,
    clear,
    read_calibration,
    read_pages,
    read_registers,
    require_running,
    start,
    start_oscillator,
    stop,
    write_clock,
)
from harness.families.shapes.climate_scales import (
    Model,
    degc_8,
    degc_16,
    humidity_16,
    temperature_points,
)
from harness.families.shapes.memory import Memory, memory_checks
from harness.families.shapes.missions import (
    HIGH,
    LOOKS,
    LOW,
    SAMPLES,
    judged_log,
    mission_quantities,
    wait_for_samples,
)
from harness.families.shapes.restoring import restored
from harness.families.shapes.timekeeping import (
    DeviceClock,
    calendar_bytes,
    clock_checks,
    from_bcd,
)
from harness.records import Measurement

_LOSS = frozenset({Hazard.MISSION_DATA_LOSS})
_LONGEST_PERIOD_S = 0x3FFF


def _peek(session: Session) -> int:
    opening = bytes([READ]) + CLOCK_AT.to_bytes(2, "little") + NO_PASSWORD
    return from_bcd(session.transact(opening, 1)[0] & 0x7F)


def _no_mission(registers: Registers) -> Registers:
    if registers.mission:
        raise ReadingImplausible(
            "a mission is in progress, and its settings cannot be changed",
            hint="mission_stop ends it and keeps its log",
        )
    return registers


def _prepare_clock(session: Session) -> None:
    _no_mission(read_registers(session))
    start_oscillator(session)


CLOCK = DeviceClock(
    read=lambda session: read_registers(session).clock,
    peek=_peek,
    write=write_clock,
    lead_s=0.1,
    prepare=_prepare_clock,
)


# -- readings ----------------------------------------------------------------------


def _convert(session: Session) -> Registers:
    """A forced conversion, oscillator looked at before, counted after."""
    before = _no_mission(require_running(session))
    session.transact(bytes([CONVERT, 0xFF]))
    session.clock.sleep(CONVERT_S)
    after = read_registers(session)
    if after.lifetime != before.lifetime + 1:
        raise ReadingImplausible(
            f"the conversion did not happen: {before.lifetime} samples of a lifetime "
            f"before, {after.lifetime} after",
            hint="the values shown are old ones: look at the cell",
        )
    return after


def _temperature(session: Session) -> Answer:
    registers = _convert(session)
    model = model_of(registers)
    low, high = registers.block[0x0C:0x0E]
    seen = degc_16(high, low, model)
    points = calibration(session, model)
    value = right(seen, points[0]) if points else seen
    return Answer(
        value=value,
        evidence={"uncorrected_degc": seen, "corrected": points is not None},
    )


def _humidity(session: Session) -> Answer:
    registers = _convert(session)
    model = model_of(registers)
    if not model.humidity:
        raise UsageError(f"this logger ({model.name}) does not measure humidity")
    low, high = registers.block[0x0E:0x10]
    seen = humidity_16(high, low)
    points = calibration(session, model)
    value = right(seen, points[1]) if points else seen
    return Answer(
        value=value, evidence={"uncorrected_rh": seen, "corrected": points is not None}
    )


def _words(registers: Registers) -> str:
    words = ["mission in progress" if registers.mission else "no mission"]
    words += [f"{name} flag" for name, bit in FLAGS.items() if registers.alarms & bit]
    words += [] if registers.runs else ["oscillator off"]
    return ", ".join(words)


def _quantity(
    name: str, about: str, of: Callable[[Registers], str | int | bool], unit: str = ""
) -> Quantity:
    def read(session: Session) -> Answer:
        registers = read_registers(session)
        return Answer(
            value=of(registers), evidence={"registers": shown(registers.block, most=64)}
        )

    return Quantity(name=name, unit=unit, read=read, about=about)


_QUANTITIES = (
    Quantity(
        name="temperature",
        unit="degC",
        read=_temperature,
        about="from a forced conversion; not while a mission runs",
    ),
    Quantity(
        name="humidity",
        unit="%RH",
        read=_humidity,
        about="likewise; only some models measure it",
    ),
    _quantity("clock", "the device's date and time", lambda r: r.clock.isoformat()),
    _quantity("logger_model", "kind of logger", lambda r: model_of(r).name),
    _quantity("logger_status", "mission, flags, oscillator, in words", _words),
    *mission_quantities(read_registers, OSCILLATOR),
    _quantity("mission_start", "when the last mission began", lambda r: r.started),
    _quantity(
        "mission_samples", "taken in the last mission", lambda r: r.samples, "samples"
    ),
    _quantity(
        "lifetime_samples", "taken in a lifetime", lambda r: r.lifetime, "samples"
    ),
)


# -- log ---------------------------------------------------------------------------


def _log_findings(
    session: Session, options: Options, registers: Registers
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
    found = [name for name, bit in FLAGS.items() if registers.alarms & bit]
    return Findings(
        measurements=(
            Measurement(
                name="flags",
                value=", ".join(found) or "none",
                wanted=options.text("wanted"),
            ),
        )
    )


# -- missions ----------------------------------------------------------------------


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


def _mission(session: Session, options: Options) -> Findings:
    held = stop(session)
    model = model_of(held)
    setup_page(session, options, model)  # refuses before anything is lost
    session.note("clearing a logger", start=held.started, samples=held.samples)
    start_oscillator(session)
    clear(session)
    with restored(session, lambda: stop(session), what="the end of the mission"):
        start(session, setup_page(session, options, model))
        wait_for_samples(
            session,
            read_registers,
            OSCILLATOR,
            wanted=options.whole("samples"),
            period_s=options.whole("period_s"),
        )
        running = read_registers(session)
    after = stop(session)
    values, evidence = _log_findings(session, options, after)
    flags = [name for name, bit in FLAGS.items() if running.alarms & bit]
    return Findings(
        measurements=(
            Measurement(
                name="mission_samples",
                value=after.samples,
                unit="samples",
                low=options.whole("samples"),
            ),
            *values,
            Measurement(name="flags", value=", ".join(flags) or "none"),
        ),
        evidence=evidence,
    )


def _stop(session: Session, options: Options) -> Findings:
    after = stop(session)
    return Findings(
        measurements=(
            Measurement(name="mission_in_progress", value=after.mission, wanted=False),
            Measurement(name="mission_samples", value=after.samples, unit="samples"),
        )
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


# -- memory ------------------------------------------------------------------------


def _read_user(session: Session, at: int, length: int) -> bytes:
    first = at - at % PAGE
    count = -(-(at % PAGE + length) // PAGE)
    return read_pages(session, first, count)[at - first : at - first + length]


def _write_user(session: Session, at: int, data: bytes) -> None:
    while data:
        piece = data[: PAGE - at % PAGE]
        staged = scratchpad.stage_proved(session, PAD, at, piece)
        scratchpad.copy(session, PAD, staged)
        got = _read_user(session, at, len(piece))
        if got != piece:
            raise AnswerImpossible(
                f"memory at {at:04X}h reads {shown(got)} after writing {shown(piece)}"
            )
        at, data = at + len(piece), data[len(piece) :]


# -- rows --------------------------------------------------------------------------

_LOW_RH = Option(name="low_rh", kind=OptionKind.NUMBER, about="lowest allowed humidity")
_HIGH_RH = Option(
    name="high_rh", kind=OptionKind.NUMBER, about="highest allowed humidity"
)
_MISSION_OPTIONS = (
    SAMPLES,
    Option(
        name="period_s",
        kind=OptionKind.WHOLE,
        about="seconds from sample to sample",
        default=10,
        low=1,
        high=_LONGEST_PERIOD_S,
    ),
    Option(
        name="fine",
        kind=OptionKind.TRUTH,
        about="sixteen bits a sample instead of eight",
        default=True,
    ),
    Option(
        name="humidity",
        kind=OptionKind.TRUTH,
        about="log humidity too; default is whatever the part can",
    ),
    LOW,
    HIGH,
    _LOW_RH,
    _HIGH_RH,
)
_CHECKS = (
    *clock_checks(CLOCK),
    Check(
        name="mission",
        about="clears, sets the clock, logs some samples, stops, and checks all of it",
        run=_mission,
        options=by_name(*_MISSION_OPTIONS),
        hazards=frozenset({Hazard.MISSION_DATA_LOSS, Hazard.CLOCK_SETTING}),
        expected_s=25,
    ),
    Check(
        name="mission_stop",
        about="ends a mission; its log stays",
        run=_stop,
        hazards=_LOSS,
    ),
    Check(
        name="log",
        about="reads the log of the last mission",
        run=_log,
        options=by_name(LOW, HIGH, _LOW_RH, _HIGH_RH),
        expected_s=5,
    ),
    Check(
        name="alarms",
        about="which thresholds were passed",
        run=_alarms,
        options=by_name(
            Option(
                name="wanted",
                kind=OptionKind.TEXT,
                about="none, or such as: high, low",
                default="none",
            )
        ),
    ),
    Check(
        name="calibration",
        about="the factory calibration holds by its check byte and is small",
        run=_calibration,
        options=by_name(
            Option(
                name="most_degc",
                kind=OptionKind.NUMBER,
                about="largest correction of temperature",
                default=2,
                low=0,
            )
        ),
    ),
    *memory_checks(Memory(size=PAD.size, read=_read_user, write=_write_user)),
)

FAMILIES = (
    Family(
        code=0x41,
        name="logger, temperature or temperature and humidity",
        device_class="logger",
        typical_parts="DS1922L, DS1922T, DS1922E, DS1923, DS2422",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_CHECKS),
        looks=looks(*LOOKS),
        destructive="a mission erases the results of the last one",
        facts="CRC-16 on scratchpad and pages, CRC-8 on calibration; no passwords",
    ),
)
