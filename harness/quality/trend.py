"""Does a value drift? A straight line tested in spite of serial correlation.

Readings of one device are alike from one to the next, so the textbook interval of a
slope is far too tight (NIST/SEMATECH e-Handbook, 4.4.5 asks for independent residuals).
The line is fitted to prewhitened values, y(t) - phi y(t-1) (Andrews and Monahan 1992;
phi with the correction for its bias by Marriott and Pope 1954; both from memory), and
the scatter of its slope comes from the slowest waves left in the residuals alone: their
cosine transforms, orthogonal to all that was fitted, number nu, and the ratio is
Student's t with nu degrees of freedom (equal-weighted cosines; Lazarus, Lewis, Stock and
Watson, Journal of Business and Economic Statistics 36 (2018), from memory). So neither
the noise of a converter nor a slow wander is taken for a drift.
``tests/benchmarks/test_soak_numbers.py`` prints false drifts and power.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from harness.errors import UsageError
from harness.lazy import np, special

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEWEST = 8
"""Points that a drift needs: fewer leave no waves to learn the scatter from."""

_WAVES_FACTOR, _WAVES_POWER = 0.4, 2 / 3
"""Number of waves, 0.4 n^(2/3): the rule of Lazarus and others, minimising the error in
size for a 5 % test over moderate correlation."""

_MOST_WAVES = 8
"""At most: the spectrum of AR(1) bends at wave n (1 - phi) / pi, the eighth of a night of
480 points with phi 0.95; the waves above it are lower than those that move a slope."""

_HIGHEST = 0.97
"""Of prewhitening: beyond it the waves take what correlation is left."""

Numbers: TypeAlias = "NDArray[np.float64]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A straight line through values in time.

    Attributes:
        slope: per unit of time, by least squares.
        error: standard error of the slope.
        degrees: of Student's t.
        p: two-sided chance of such a slope without a drift.
        correlation: of neighbours, as it was taken out.
    """

    slope: float
    error: float
    degrees: int
    p: float
    correlation: float

    def half_width(self, confidence: float) -> float:
        """Half the interval of the slope at this confidence (0.99 for 99 %)."""
        return float(special.stdtrit(self.degrees, (1 + confidence) / 2)) * self.error


def trend(
    times: Sequence[float] | Numbers,
    values: Sequence[float] | Numbers,
    *,
    parts: Sequence[int] | NDArray[np.int64] | None = None,
    beside: Sequence[Numbers] = (),
) -> Trend | None:
    """The straight line of values over time; None where there is nothing to test.

    Args:
        times: ascending, evenly spaced but for holes.
        values: one for each.
        parts: which values belong together; each part has a level of its own, so a jump
            between two parts is no drift. One part unless given.
        beside: further series that the values may follow instead of drifting.

    Returns:
        None for fewer than ``FEWEST`` values, for values that never differ, and where
        the line is not to be distinguished from what stands beside it.

    Raises:
        UsageError: not as many times as values.
    """
    at, numbers = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    if at.shape != numbers.shape:
        raise UsageError("a trend needs as many times as values")
    part = np.zeros(len(at), dtype=int) if parts is None else np.asarray(parts)
    known = np.unique(part)
    if len(at) < FEWEST + 2 * (len(known) - 1) + 2 * len(beside):
        return None
    levels = [(part == name).astype(float) for name in known]
    line = np.asarray(at - at.mean(), dtype=float)
    fitted = np.column_stack([line, *levels, *beside])
    phi = _correlation(numbers, fitted, part)
    if phi is None:
        return _without_rest(numbers, fitted)
    same = np.flatnonzero(part[1:] == part[:-1]) + 1
    found = _tested(
        numbers[same] - phi * numbers[same - 1],
        fitted[same] - phi * fitted[same - 1],
        phi,
    )
    if found is None:
        return None
    # the slope that is reported is that of the readings themselves
    return replace(found, slope=float(_fit(numbers, fitted)[0]))


def _without_rest(values: Numbers, fitted: Numbers) -> Trend | None:
    """Values that lie on the fit itself: its slope is beyond doubt, if there is one."""
    slope = float(_fit(values, fitted)[0])
    reach = abs(slope) * float(np.ptp(fitted[:, 0]))
    if reach <= 1e-9 * max(1.0, float(np.max(np.abs(values)))):
        return None
    return Trend(slope=slope, error=0.0, degrees=1, p=0.0, correlation=0.0)


def _fit(values: Numbers, fitted: Numbers) -> Numbers:
    return np.asarray(np.linalg.lstsq(fitted, values, rcond=None)[0], dtype=float)


def _rest(values: Numbers, fitted: Numbers) -> Numbers:
    return np.asarray(values - fitted @ _fit(values, fitted), dtype=float)


def _correlation(
    values: Numbers, fitted: Numbers, part: NDArray[np.int64]
) -> float | None:
    """Of neighbours about the fit, its bias put right; None if nothing is left."""
    rest = _rest(values, fitted)
    square = float(np.dot(rest, rest))
    if square <= 1e-18 * max(1.0, float(np.dot(values, values))):
        return None
    same = part[1:] == part[:-1]
    found = float(np.dot(rest[1:][same], rest[:-1][same])) / square
    count = len(values)
    # about a fitted line: E r = phi - (2 + 4 phi) / n, to the first order
    found = (found + 2 / count) / max(0.2, 1 - 4 / count)
    # raised by its standard error, for one that is too low makes drifts of chance
    found += math.sqrt(max(0.0, 1 - min(found, 1.0) ** 2) / count)
    return min(max(found, 0.0), _HIGHEST)


def _tested(values: Numbers, fitted: Numbers, phi: float) -> Trend | None:
    """The slope of the first column, its error from the slow waves of the rest."""
    count = len(values)
    others = fitted[:, 1:]
    line = _rest(fitted[:, 0], others)
    weight = float(np.dot(line, line))
    rank = int(np.linalg.matrix_rank(fitted))
    if rank < fitted.shape[1] or weight <= 0:
        return None
    slope = float(np.dot(line, values)) / weight
    waves = min(_MOST_WAVES, max(4, round(_WAVES_FACTOR * count**_WAVES_POWER)))
    waves = min(waves, count - rank - 1)
    if waves < 2:
        return None
    at = (np.arange(count) + 0.5) / count
    cosines = np.cos(np.pi * np.outer(at, np.arange(1, waves + rank)))
    basis = np.linalg.qr(np.column_stack([fitted, cosines]))[0][:, rank:]
    powers = (basis.T @ values) ** 2
    degrees = len(powers)
    error = math.sqrt(float(np.mean(powers)) / weight)
    if error == 0:
        return None
    ratio = abs(slope) / error
    return Trend(
        slope=slope,
        error=error,
        degrees=degrees,
        p=float(2 * special.stdtr(degrees, -ratio)),
        correlation=phi,
    )
