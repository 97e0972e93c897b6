"""The grids turned round: which rates lie between two bounds, and next to one."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS
from harness.wire.rates import CUSTOMARY_BAUD, around, rates

SEEDED = settings(derandomize=True, deadline=None)

# Distinct rates from 50k to 200k baud by brute force (drivers/usb/serial of the Linux kernel).
PUBLISHED_COUNTS = {
    "fractional-divider": 361,
    "integer-divider": 361,
    "prescaled-divider": 181,
    "mantissa-exponent": 385,
}


@pytest.mark.parametrize(("kind", "count"), PUBLISHED_COUNTS.items())
def test_number_of_rates_between_50k_and_200k(kind: str, count: int) -> None:
    """Each grid has as many rates in two octaves as was counted for its chip."""
    found = len(rates(GRIDS[kind], 50_000, 200_000))
    # 385 is "about"; two rates lie on the bounds themselves
    assert found == pytest.approx(count, abs=4 if kind != "mantissa-exponent" else 12)


@pytest.mark.parametrize("kind", sorted(GRIDS))
def test_every_rate_is_what_its_request_becomes(kind: str) -> None:
    """Each listed rate comes from its request, once, in order."""
    grid = GRIDS[kind]
    found = rates(grid, 6_000, 20_000)
    assert all(grid.achieved(rate.request_baud) == rate.baud for rate in found)
    assert [r.baud for r in found] == sorted({r.baud for r in found})


def test_nothing_but_customary_rates_of_an_unknown_adapter() -> None:
    """Where nothing is known, only rates that every adapter makes are offered."""
    found = {rate.request_baud for rate in rates(GRIDS["unknown"], 300, 2e6)}
    assert found == set(CUSTOMARY_BAUD)


@pytest.mark.parametrize("kind", ["fractional-divider", "rate-table", "exact"])
@SEEDED
@given(baud=st.integers(60_000, 240_000), other=st.integers(60_000, 240_000))
def test_no_request_comes_nearer(kind: str, baud: int, other: int) -> None:
    """Among the neighbours of a rate is one that no other request beats."""
    grid = GRIDS[kind]
    nearest = min(abs(rate.baud - baud) for rate in around(grid, baud))
    assert nearest <= abs(grid.achieved(other) - baud) + 1e-9


def test_beyond_the_fastest_rate() -> None:
    """Far above what the divider makes, the top rate is the only neighbour.

    The 3 MHz clock undivided (divisor 0): application note AN120, from memory.
    """
    assert {r.baud for r in around(GRIDS["fractional-divider"], 5e6)} == {3e6}
