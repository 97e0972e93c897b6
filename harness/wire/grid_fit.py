"""Which clock grids agree with rates that were measured, and how far the clock is off.

A grid says which rate a request becomes before the clock's own error, which is one factor
for all rates. So the ratios of measured to achieved rates must agree with each other
within the doubt of each measurement; their common part is the error of the clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from harness.wire.clock_grid import GRIDS, ClockGrid

_COVERAGE = 3.0
"""Doubts within which a rate must lie to agree."""

_WORST_CLOCK = 0.02
"""No UART works with a clock farther off: two of these add up to the usual 4.5 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRate:
    """A rate that an adapter made.

    Attributes:
        request_baud: what was asked for.
        baud: what was measured.
        doubt: standard uncertainty of ``baud``, as a share of it.
    """

    request_baud: int
    baud: float
    doubt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GridFit:
    """A grid that agrees with what was measured.

    Attributes:
        grid: the grid.
        clock_ppm: error of the clock if it is this grid; positive is fast.
        doubt_ppm: standard uncertainty of that.
        misfit: root mean square of the deviations, in doubts; about 1 for the true grid.
    """

    grid: ClockGrid
    clock_ppm: float
    doubt_ppm: float
    misfit: float


def fits(measured: Sequence[MeasuredRate]) -> tuple[GridFit, ...]:
    """The grids that agree with all measured rates, best first; none if none does."""
    found = (_fit(grid, measured) for grid in GRIDS.values() if grid.kind != "unknown")
    return tuple(
        sorted((f for f in found if f is not None), key=lambda fit: fit.misfit)
    )


def _fit(grid: ClockGrid, measured: Sequence[MeasuredRate]) -> GridFit | None:
    if not measured:
        return None
    errors = [(m.baud / grid.achieved(m.request_baud) - 1, m.doubt) for m in measured]
    # the median first: one rate of another grid must not pull the mean its way
    middle = median(error for error, _ in errors)
    if _largest(_apart(errors, middle)) > 2 * _COVERAGE:
        return None
    weight = sum(1 / doubt**2 for _, doubt in errors)
    mean = sum(error / doubt**2 for error, doubt in errors) / weight
    apart = _apart(errors, mean)
    if abs(mean) > _WORST_CLOCK or _largest(apart) > _COVERAGE:
        return None
    return GridFit(
        grid=grid,
        clock_ppm=1e6 * mean,
        doubt_ppm=1e6 / weight**0.5,
        misfit=(sum(a * a for a in apart) / len(apart)) ** 0.5,
    )


def _apart(errors: Sequence[tuple[float, float]], middle: float) -> list[float]:
    """Distance of each error from ``middle``, in its own standard uncertainty."""
    return [(error - middle) / doubt for error, doubt in errors]


def _largest(apart: Sequence[float]) -> float:
    return max(map(abs, apart))
