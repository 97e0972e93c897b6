"""Values that do not belong to their lot.

Generalised extreme studentised deviate test (Rosner 1983), NIST/SEMATECH e-Handbook
of Statistical Methods, 1.3.5.17.3: it finds several outliers that hide each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.lazy import np, special
from harness.quality.moments import checked, require_fraction

_FEWEST = 12
"""A tail of a smaller lot cannot be distinguished from its middle (common practice)."""

_MOST_SHARE = 0.1
"""No more than this share of a lot is looked upon as outliers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One step of the test: the value farthest from the mean of those left.

    Attributes:
        place: its place in the sample, from 0.
        value: itself.
        distance: from the mean in deviations.
        critical: largest distance that chance explains.
    """

    place: int
    value: float
    distance: float
    critical: float


def suspects(
    values: Sequence[float], *, most: int, alpha: float = 0.05
) -> tuple[Suspect, ...]:
    """The steps of the test, farthest value first.

    Args:
        values: the sample.
        most: how many steps; at least three values must be left, and the search ends
            where it has taken off a whole half of the sample.
        alpha: chance to find an outlier in a normal lot that has none.
    """
    return _steps(checked(values), most, alpha, only_outliers=False)


def _steps(
    values: Sequence[float], most: int, alpha: float, *, only_outliers: bool
) -> tuple[Suspect, ...]:
    """The steps of the test; with ``only_outliers`` up to the last beyond its distance.

    That one decides, and takes those before it along.
    """
    require_fraction(alpha, what="alpha")
    numbers = np.asarray(values, dtype=np.float64)
    steps = list(_farthest(numbers, min(most, len(numbers) - 3)))
    if not steps:
        return ()
    distances = np.array([distance for _, distance, _ in steps])
    criticals = _critical(np.array([left for *_, left in steps], np.float64), alpha)
    if only_outliers:
        beyond = np.flatnonzero(distances > criticals)
        steps = steps[: int(beyond[-1]) + 1 if len(beyond) else 0]
    return tuple(
        Suspect(
            place=place,
            value=float(numbers[place]),
            distance=distance,
            critical=critical,
        )
        for (place, distance, _), critical in zip(
            steps, criticals.tolist(), strict=False
        )
    )


def _farthest(
    numbers: np.ndarray[tuple[int], np.dtype[np.float64]], most: int
) -> Iterator[tuple[int, float, int]]:
    """Place of each value taken off, its distance in deviations, and how many were left.

    The farthest value is always the lowest or the highest of those left, so these are a
    slice of the sorted sample. Its sums are kept outwards from the middle: what was taken
    off, however large, never was in them. So a million values take one sort.
    """
    places = np.arange(len(numbers))
    # of equal values the first one goes first, at both ends
    from_low = np.lexsort((places, numbers))
    from_high = np.lexsort((-places, numbers))
    middle = len(numbers) // 2
    away = numbers[from_low] - numbers[from_low[middle]]
    below, above = away[:middle][::-1], away[middle:]
    low_sums, low_squares = _running(below)
    high_sums, high_squares = _running(above)
    lows, highs = len(below), len(above)
    for _ in range(most):
        left = lows + highs
        mean = (low_sums[lows] + high_sums[highs]) / left
        squares = low_squares[lows] + high_squares[highs] - left * mean * mean
        if (
            lows == 0
            or highs == 0
            or squares <= 0
            or below[lows - 1] == above[highs - 1]
        ):
            return
        deviation = math.sqrt(squares / (left - 1))
        down, up = mean - below[lows - 1], above[highs - 1] - mean
        first, last = int(from_low[middle - lows]), int(from_high[middle + highs - 1])
        if up > down or (up == down and last < first):
            highs -= 1
            yield last, float(up / deviation), left
        else:
            lows -= 1
            yield first, float(down / deviation), left


def _running(
    values: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> tuple[list[float], list[float]]:
    """Sums and sums of squares of the first none, one, two ... values."""
    return (
        [0.0, *np.cumsum(values).tolist()],
        [0.0, *np.cumsum(values * values).tolist()],
    )


def outliers(values: Sequence[float], *, alpha: float = 0.05) -> tuple[Suspect, ...]:
    """Values that are no part of a normal lot, farthest first.

    Of fewer than twelve values none is called an outlier, and never more than a tenth.
    """
    numbers = checked(values)
    if len(numbers) < _FEWEST:
        return ()
    most = max(1, math.floor(_MOST_SHARE * len(numbers)))
    return _steps(numbers, most, alpha, only_outliers=True)


def _critical(
    left: np.ndarray[tuple[int], np.dtype[np.float64]], alpha: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Critical distance with so many values left."""
    t = -special.stdtrit(left - 2, alpha / (2 * left))
    return np.asarray((left - 1) * t / np.sqrt((left - 2 + t * t) * left))
