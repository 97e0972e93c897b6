"""Scales of a logger for temperature and humidity, and the parabola of its calibration."""

from __future__ import annotations

import pytest

from harness.families.loggers.climate import scales

L, T, E = (scales.MODELS[code] for code in (0x40, 0x60, 0x80))


@pytest.mark.parametrize(
    ("high", "low", "degc"), [(0x84, 0x60, 25.1875), (0x84, 0x80, 25.25)]
)
def test_worked_temperatures(high: int, low: int, degc: float) -> None:
    """Computed from the formula of data sheet DS1922L/T p. 18-25."""
    assert scales.degc_16(high, low, L) == degc
    assert scales.degc_8(high, L) == 25.0


def test_worked_humidities() -> None:
    """90 50 is 60.97 %RH, B5 is 84.4 %RH, both uncorrected (data sheet DS1923 p. 16-24)."""
    assert scales.humidity_16(0x90, 0x50) == pytest.approx(60.97, abs=0.01)
    assert scales.humidity_8(0xB5) == pytest.approx(84.4, abs=0.1)


def test_other_ranges() -> None:
    """Models T and E have another zero (from memory)."""
    assert scales.degc_8(0, T) == -1
    assert scales.degc_8(0, E) == 14


def test_parabola_through_three_points() -> None:
    """At each point the whole error goes; between them a constant error goes too."""
    points = ((60.0, 0.4), (0.0, 0.4), (30.0, -0.2))
    for reference, error in points:
        assert scales.corrected(reference, points) == pytest.approx(reference - error)
    flat = ((60.0, 0.5), (10.0, 0.5), (35.0, 0.5))
    assert scales.corrected(21.5, flat) == pytest.approx(21.0)


def test_parabola_by_its_own_equation() -> None:
    """A Tc^2 + B Tc + C with A, B, C solved by hand for errors 1, 0, 1 at 0, 10, 20."""
    points = ((0.0, 1.0), (10.0, 0.0), (20.0, 1.0))
    for value in (-5.0, 3.0, 15.0):
        error = 0.01 * value**2 - 0.2 * value + 1
        assert scales.corrected(value, points) == pytest.approx(value - error)


def test_points_that_coincide() -> None:
    """A blank calibration has no parabola."""
    with pytest.raises(ValueError, match="same place"):
        scales.corrected(20.0, ((60.0, 0.0), (0.0, 0.0), (0.0, 0.0)))


def test_points_of_a_page() -> None:
    """References and readings as the page stores them, the first one at 60 degC."""
    page = bytes.fromhex("66 00 67 00 84 60 84 80") + bytes(24)
    points = scales.temperature_points(page, L)
    assert points == ((60.0, 0.5), (10.0, 0.5), (25.1875, 0.0625))
