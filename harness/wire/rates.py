"""The rates that an adapter makes between two bounds, and those beside a wanted one.

A ``ClockGrid`` says which rate a request becomes. Here the grid is turned round:
its requests are walked plateau by plateau (all requests of a plateau become one
rate), an octave at a time, and the octaves are kept.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from harness.wire.clock_grid import ClockGrid

FINEST = 2e-4
"""Rates nearer together than this share are thinned out, request by request."""

CUSTOMARY_BAUD = (
    300, 600, 1200, 1800, 2400, 4800, 7200, 9600, 14_400, 19_200, 28_800, 38_400,
    57_600, 115_200,
)  # fmt: skip
"""Rates that every adapter makes."""

_LANDMARKS_BAUD = (
    100_000, 125_000, 128_000, 142_857, 150_000, 230_400, 250_000, 460_800, 500_000,
    750_000, 800_000, 921_600, 1_000_000,
)  # fmt: skip
"""Round rates that must not fall through the thinning."""

_LOWEST_OCTAVE, _HIGHEST_OCTAVE = 8, 23


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Rate:
    """A rate that the adapter makes, in baud, and the request that gets it."""

    baud: float
    request_baud: int


def _next_plateau(grid: ClockGrid, request_baud: int, bound_baud: int) -> int:
    """The first request that becomes another rate, or ``bound_baud``."""
    here = grid.achieved(request_baud)
    step = max(1, int(request_baud * FINEST))
    inside = request_baud
    while (beyond := inside + step) < bound_baud and grid.achieved(beyond) == here:
        inside, step = beyond, 2 * step
    beyond = min(beyond, bound_baud)
    if inside == request_baud:
        return beyond
    while beyond - inside > 1:
        middle = (inside + beyond) // 2
        if grid.achieved(middle) == here:
            inside = middle
        else:
            beyond = middle
    return beyond


def _requests(grid: ClockGrid, first_baud: int, bound_baud: int) -> Iterator[int]:
    bound_baud = min(bound_baud, grid.fastest_baud + 1)
    named = CUSTOMARY_BAUD + _LANDMARKS_BAUD if grid.free else CUSTOMARY_BAUD
    yield from (baud for baud in named if first_baud <= baud < bound_baud)
    request_baud = first_baud
    while grid.free and request_baud < bound_baud:
        yield request_baud
        request_baud = _next_plateau(grid, request_baud, bound_baud)


@lru_cache(maxsize=256)
def _octave(grid: ClockGrid, octave: int) -> tuple[Rate, ...]:
    found: dict[float, int] = {}
    for request_baud in _requests(grid, 1 << octave, 2 << octave):
        baud = grid.achieved(request_baud)
        named = round(baud)
        found[baud] = named if grid.achieved(named) == baud else request_baud
    return tuple(Rate(baud=b, request_baud=r) for b, r in sorted(found.items()))


@lru_cache(maxsize=256)
def _span(grid: ClockGrid, first: int, last: int) -> tuple[Rate, ...]:
    """Rates of the requests of whole octaves, each rate once, slowest first."""
    by_baud = {
        rate.baud: rate
        for octave in range(max(first, _LOWEST_OCTAVE), min(last, _HIGHEST_OCTAVE) + 1)
        for rate in _octave(grid, octave)
    }
    return tuple(sorted(by_baud.values()))


def _octave_of(baud: float) -> int:
    return max(1, int(baud)).bit_length() - 1


def rates(grid: ClockGrid, low_baud: float, high_baud: float) -> tuple[Rate, ...]:
    """All rates from ``low_baud`` to ``high_baud``, slowest first.

    Where the grid is finer than ``FINEST`` it is thinned to that step.
    """
    # a coarse grid maps requests of one octave to rates of the next
    span = _span(grid, _octave_of(low_baud) - 1, _octave_of(high_baud) + 1)
    return tuple(rate for rate in span if low_baud <= rate.baud <= high_baud)


def around(grid: ClockGrid, baud: float) -> tuple[Rate, ...]:
    """The rates next to a wanted one: below, above, and what the request itself gives.

    Empty if the adapter makes no rate within an octave.
    """
    octave = _octave_of(baud)
    span = _span(grid, octave - 1, octave + 1)
    place = bisect_left(span, baud, key=lambda rate: rate.baud)
    found = span[max(0, place - 1) : place + 1]
    request_baud = round(baud)
    if grid.free and 1 << _LOWEST_OCTAVE <= request_baud <= grid.fastest_baud:
        asked = Rate(baud=grid.achieved(request_baud), request_baud=request_baud)
        found += (asked,)
    return found
