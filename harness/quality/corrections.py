"""Corrections of a calibrated instrument, between the points of its certificate.

``true value = reading + correction``. Between two points the correction runs straight;
or one straight line is fitted to all of them by least squares, and its own uncertainty
counts. Beyond the first and last point nothing is known.

Source: JCGM 100:2008, H.3 (calibration of a thermometer, least squares line with its
variances and correlation); straight interpolation between the points is common
practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from harness.errors import UsageError

Point = tuple[float, float]
"""A reading of the instrument, and the correction to add to it there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What to add to one reading.

    Attributes:
        value: the correction, in the unit of the reading.
        slope: its change with the reading.
        standard: standard uncertainty of the fitted line there; 0 between points.
    """

    value: float
    slope: float
    standard: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """A least squares line ``intercept + slope * (reading - origin)``.

    Attributes:
        origin: reading that the intercept belongs to.
        intercept: correction there.
        slope: change of the correction with the reading.
        u_intercept: standard uncertainty of the intercept.
        u_slope: standard uncertainty of the slope.
        correlation: correlation coefficient of the two.
    """

    origin: float
    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float

    def at(self, reading: float) -> Correction:
        """The predicted correction with its uncertainty (JCGM 100, equation H.15)."""
        run = reading - self.origin
        variance = (
            self.u_intercept**2
            + run**2 * self.u_slope**2
            + 2 * run * self.u_intercept * self.u_slope * self.correlation
        )
        return Correction(
            value=self.intercept + self.slope * run,
            slope=self.slope,
            standard=math.sqrt(max(0.0, variance)),
        )


def fit_line(points: Sequence[Point], *, origin: float) -> FittedLine:
    """Least squares line through the points (JCGM 100, equations H.13).

    Raises:
        UsageError: fewer than three points, or readings that are all the same.
    """
    count = len(points)
    if count < 3:
        raise UsageError("a fitted line needs three points at least")
    x = [reading - origin for reading, _ in points]
    y = [correction for _, correction in points]
    sum_x, sum_xx = math.fsum(x), math.fsum(v * v for v in x)
    spread = count * sum_xx - sum_x**2
    if spread <= 0:
        raise UsageError("a fitted line needs points at different readings")
    sum_y = math.fsum(y)
    sum_xy = math.fsum(a * b for a, b in zip(x, y, strict=True))
    intercept = (sum_y * sum_xx - sum_xy * sum_x) / spread
    slope = (count * sum_xy - sum_x * sum_y) / spread
    residuals = (b - intercept - slope * a for a, b in zip(x, y, strict=True))
    variance = math.fsum(r * r for r in residuals) / (count - 2)
    return FittedLine(
        origin=origin,
        intercept=intercept,
        slope=slope,
        u_intercept=math.sqrt(variance * sum_xx / spread),
        u_slope=math.sqrt(variance * count / spread),
        correlation=-sum_x / math.sqrt(count * sum_xx),
    )


def between_points(points: Sequence[Point], reading: float) -> Correction:
    """Straight between the two points around a reading.

    Args:
        points: in rising order of their readings.
        reading: within them.

    Raises:
        UsageError: the reading lies outside the points.
    """
    require_within(points, reading)
    if len(points) == 1:
        return Correction(value=points[0][1], slope=0.0)
    low, high = next(pair for pair in pairwise(points) if reading <= pair[1][0])
    slope = (high[1] - low[1]) / (high[0] - low[0])
    return Correction(value=low[1] + slope * (reading - low[0]), slope=slope)


def require_within(points: Sequence[Point], reading: float) -> None:
    """Insist that a reading lies within the corrections that are known.

    Raises:
        UsageError: it does not, or is no number.
    """
    first, last = points[0][0], points[-1][0]
    if not first <= reading <= last:
        raise UsageError(
            f"{reading:g} lies outside the correction table, which runs from {first:g} "
            f"to {last:g}"
        )
