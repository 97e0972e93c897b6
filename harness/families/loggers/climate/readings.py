"""Temperature and humidity, each from a forced conversion that is counted.

A conversion while the oscillator is off leaves the part dead for ever, so it is looked
at before each.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, 32 and 45-49, DS1923 p. 14-24
and 48-52).
"""

from __future__ import annotations

from harness.errors import ReadingImplausible, UsageError
from harness.families.family import Answer, Session
from harness.families.loggers.climate.log import calibration, model_of, right
from harness.families.loggers.climate.memory import (
    CONVERT,
    CONVERT_S,
    ClimateRegisters,
    read_registers,
    require_running,
)
from harness.families.loggers.climate.mission import LOGGER
from harness.families.loggers.climate.scales import degc_16, humidity_16


def _convert(session: Session) -> ClimateRegisters:
    """A forced conversion, oscillator looked at before, counted after."""
    before = LOGGER.require_idle(require_running(session))
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


def read_temperature(session: Session) -> Answer:
    """Temperature, corrected where the calibration is understood.

    Raises:
        ReadingImplausible: a mission is in progress, or nothing was converted.
        AnswerImpossible: the oscillator is off, nothing was sent.
        CheckValueWrong: the calibration is invalid.
    """
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


def read_humidity(session: Session) -> Answer:
    """Relative humidity, likewise.

    Raises:
        UsageError: a model without it; and what ``read_temperature`` raises.
    """
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
