"""Logs of a logger for temperature and humidity, read, scaled and corrected.

A log of one source fills the memory; two sources of equal width share it half and half.

Source: data sheets family 41h (parts DS1922L/T p. 18-25, DS1923 p. 16-24); start of the
second half: from memory.
"""

from __future__ import annotations

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    ReadingImplausible,
    UsageError,
)
from harness.families.common.answers import shown
from harness.families.family import Session
from harness.families.loggers.climate.memory import (
    FINE_HUMIDITY,
    FINE_TEMPERATURE,
    HUMIDITY_LOG_AT,
    LOG_AT,
    LOG_BYTES,
    LOG_HUMIDITY,
    LOG_TEMPERATURE,
    PAGE,
    ClimateRegisters,
    read_calibration,
    read_pages,
)
from harness.families.loggers.climate.scales import (
    MODELS,
    Model,
    Points,
    corrected,
    degc_8,
    degc_16,
    humidity_8,
    humidity_16,
    humidity_points,
    temperature_points,
)

_POINTS = "calibration_points"


def model_of(registers: ClimateRegisters) -> Model:
    """The kind of logger.

    Raises:
        AnswerImpossible: a model byte that is none.
    """
    model = MODELS.get(registers.model)
    if model is None:
        raise AnswerImpossible(
            f"model byte {registers.model:02X}h is none that is known"
        )
    return model


def calibration(session: Session, model: Model) -> tuple[Points, Points] | None:
    """Points of temperature and humidity; None where they are not understood.

    Raises:
        CheckValueWrong: the calibration page is invalid.
    """
    if not model.corrected:
        return None
    if _POINTS not in session.memory:
        page = read_calibration(session)
        session.memory[_POINTS] = (
            temperature_points(page, model),
            humidity_points(page) if model.humidity else (),
        )
    points: tuple[Points, Points] = session.memory[_POINTS]
    return points


def right(value: float, points: Points) -> float:
    """A value corrected by its calibration points.

    Raises:
        CheckValueWrong: the calibration cannot be used.
    """
    try:
        return corrected(value, points)
    except ValueError as cause:
        raise CheckValueWrong(
            f"the calibration cannot be used: {cause}", hint="reject the unit"
        ) from cause


def _part(session: Session, address: int, count: int, width: int) -> list[bytes]:
    if not count:
        return []
    raw = read_pages(session, address, -(-count * width // PAGE))
    return [raw[at : at + width] for at in range(0, count * width, width)]


def read_log(
    session: Session, registers: ClimateRegisters
) -> tuple[list[float], list[float]]:
    """Temperatures and humidities of the last mission, as logged, corrected.

    Raises:
        UsageError: formats of different width, or a log that was overwritten.
        CheckValueWrong, DeviceAbsent: as the answers say.
    """
    control, model = registers.block[0x13], model_of(registers)
    widths = _widths(registers)
    both = control & LOG_TEMPERATURE and control & LOG_HUMIDITY
    points = calibration(session, model) or (None, None)
    logs: list[list[float]] = []
    for bit, width, address, scale, own in (
        (LOG_TEMPERATURE, widths[0], LOG_AT, _temperature_of, points[0]),
        (
            LOG_HUMIDITY,
            widths[1],
            HUMIDITY_LOG_AT if both else LOG_AT,
            _humidity_of,
            points[1],
        ),
    ):
        count = registers.samples if control & bit else 0
        values = [scale(r, model) for r in _part(session, address, count, width)]
        logs.append([right(value, own) for value in values] if own else values)
    return logs[0], logs[1]


def _widths(registers: ClimateRegisters) -> tuple[int, int]:
    """Bytes a sample of temperature and of humidity.

    Raises:
        UsageError: formats of different width, or a log that was overwritten.
    """
    control = registers.block[0x13]
    widths = (
        2 if control & FINE_TEMPERATURE else 1,
        2 if control & FINE_HUMIDITY else 1,
    )
    logs = bool(control & LOG_TEMPERATURE) + bool(control & LOG_HUMIDITY)
    if logs == 2 and widths[0] != widths[1]:
        raise UsageError("logs of 8 and 16 bits side by side are not read here")
    if registers.samples * max(widths) > LOG_BYTES // max(1, logs):
        raise UsageError("the log is full or overwritten; it is not read here")
    return widths


def _temperature_of(row: bytes, model: Model) -> float:
    if row[0] in {0x00, 0xFF}:
        raise ReadingImplausible(
            f"a sample of {shown(row)} is below or above what can be measured"
        )
    return degc_16(row[0], row[1], model) if len(row) == 2 else degc_8(row[0], model)


def _humidity_of(row: bytes, model: Model) -> float:
    return humidity_16(row[0], row[1]) if len(row) == 2 else humidity_8(row[0])
