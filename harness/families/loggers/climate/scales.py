"""What the bytes of a logger for temperature and humidity mean, and their correction.

    8 bit   T = high / 2 + zero           RH from V = byte x 5.02 / 256
    16 bit  T = high / 2 + low / 512 + zero   RH from V = (word >> 4) x 5.02 / 4096
            RH = (V - 0.958) / 0.0307, not corrected

The calibration gives the part's error at three temperatures (the first of which has the
error of the second) and at three humidities; the parabola through them is subtracted.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, DS1923 p. 16-24 and 48-52);
offsets of models T and E, and that the correction is that parabola: from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

FIRST_REFERENCE_DEGC = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """One kind of logger.

    Attributes:
        name: in words.
        zero_degc: temperature of raw zero.
        humidity: True if it measures that too.
        corrected: True if its calibration is understood here.
    """

    name: str
    zero_degc: float
    humidity: bool = False
    corrected: bool = False


MODELS = {
    0x00: Model(name="bare chip", zero_degc=-41, humidity=True),
    0x20: Model(
        name="temperature and humidity", zero_degc=-41, humidity=True, corrected=True
    ),
    0x40: Model(name="temperature, L", zero_degc=-41, corrected=True),
    0x60: Model(name="temperature, T", zero_degc=-1),
    0x80: Model(name="temperature, E", zero_degc=14),
}

Points = tuple[tuple[float, float], ...]
"""Reference and error of each point of a calibration."""


def degc_8(raw: int, model: Model) -> float:
    """Temperature of one byte."""
    return raw / 2 + model.zero_degc


def degc_16(high: int, low: int, model: Model) -> float:
    """Temperature of two bytes; the five lowest bits mean nothing."""
    return high / 2 + (low & 0xE0) / 512 + model.zero_degc


def humidity_8(raw: int) -> float:
    """Relative humidity of one byte, in percent."""
    return (raw * 5.02 / 256 - 0.958) / 0.0307


def humidity_16(high: int, low: int) -> float:
    """Relative humidity of two bytes, in percent."""
    return (((high << 8 | low) >> 4) * 5.02 / 4096 - 0.958) / 0.0307


def temperature_points(page: bytes, model: Model) -> Points:
    """Calibration points of temperature."""
    two, seen_two, three, seen_three = (
        degc_16(page[at], page[at + 1], model) for at in range(0, 8, 2)
    )
    error = seen_two - two
    return (
        (FIRST_REFERENCE_DEGC, error),
        (two, error),
        (three, seen_three - three),
    )


def humidity_points(page: bytes) -> Points:
    """Calibration points of humidity."""
    values = [humidity_16(page[at], page[at + 1]) for at in range(8, 20, 2)]
    return tuple(
        (reference, seen - reference)
        for reference, seen in zip(values[::2], values[1::2], strict=True)
    )


def corrected(value: float, points: Points) -> float:
    """The value less the error that the calibration has there.

    Raises:
        ValueError: two points of the calibration are one.
    """
    if len({place for place, _ in points}) < len(points):
        raise ValueError("two points of the calibration are at the same place")
    error = 0.0
    for place, own in points:
        weight = own
        for other, _ in points:
            if other != place:
                weight *= (value - other) / (place - other)
        error += weight
    return value - error
