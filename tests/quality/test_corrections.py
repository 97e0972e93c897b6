"""Corrections against the worked example of JCGM 100, and straight interpolation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.quality.corrections import between_points, fit_line

# JCGM 100:2008, table H.6: reading t and observed correction b of a thermometer, degC.
TABLE_H6 = (
    (21.521, -0.171), (22.012, -0.169), (22.512, -0.166), (23.003, -0.159),
    (23.507, -0.164), (23.999, -0.165), (24.513, -0.156), (25.002, -0.157),
    (25.503, -0.159), (26.010, -0.161), (26.511, -0.160),
)  # fmt: skip


def test_line_of_the_worked_example() -> None:
    """JCGM 100, H.3.3: y1 -0.1712(29), y2 0.00218(67), correlation -0.930."""
    line = fit_line(TABLE_H6, origin=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)


def test_predicted_correction_of_the_worked_example() -> None:
    """JCGM 100, H.3.4: b(30 degC) is -0.1494 degC with u 0.0041 degC."""
    at_30 = fit_line(TABLE_H6, origin=20.0).at(30.0)
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.standard == pytest.approx(0.0041, abs=5e-5)


@given(st.floats(-40, 60), st.floats(21.521, 26.511))
def test_a_line_does_not_depend_on_its_origin(origin: float, reading: float) -> None:
    """JCGM 100, H.3.5: prediction and uncertainty are the same from any origin."""
    here = fit_line(TABLE_H6, origin=origin).at(reading)
    there = fit_line(TABLE_H6, origin=24.0).at(reading)
    assert here.value == pytest.approx(there.value, abs=1e-9)
    assert here.standard == pytest.approx(there.standard, abs=1e-8)


@given(st.floats(21.521, 26.511))
def test_between_points_stays_between_neighbours(reading: float) -> None:
    """A straight piece never leaves the corrections at its two ends."""
    low = max(row for row in TABLE_H6 if row[0] <= reading)
    high = min(row for row in TABLE_H6 if row[0] >= reading)
    value = between_points(TABLE_H6, reading).value
    ends = sorted((low[1], high[1]))
    assert ends[0] - 1e-12 <= value <= ends[1] + 1e-12


def test_middle_of_two_points() -> None:
    """Half way between two rows the correction is their mean."""
    found = between_points(((0.0, 0.05), (25.0, 0.0), (85.0, -0.12)), 55.0)
    assert found.value == pytest.approx(-0.06)
    assert found.slope == pytest.approx(-0.002)


@pytest.mark.parametrize("reading", [-0.01, 85.01, float("nan")])
def test_beyond_the_table(reading: float) -> None:
    """Nothing is known outside the first and last row."""
    with pytest.raises(UsageError, match="outside the correction table"):
        between_points(((0.0, 0.05), (85.0, -0.12)), reading)


@pytest.mark.parametrize(
    "rows", [((0.0, 1.0), (1.0, 1.0)), ((1.0, 0.0), (1.0, 1.0), (1.0, 2.0))]
)
def test_no_line(rows: tuple[tuple[float, float], ...]) -> None:
    """Two points, or three at one reading, make no line with an uncertainty."""
    with pytest.raises(UsageError, match="a fitted line needs"):
        fit_line(rows, origin=0.0)
