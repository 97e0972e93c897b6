"""The grids turned round: which rates lie between two bounds, and next to one."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS
from harness.wire.rates import CUSTOMARY_BAUD, Rate, around, rates

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


# Rates of pyserial's and every adapter's list, and round ones: eighths and quarters of a
# megabaud, a seventh (7 us a bit), and those of the customary doubling.
CUSTOMARY = (
    300, 600, 1200, 1800, 2400, 4800, 7200, 9600, 14400, 19200, 28800, 38400, 57600,
    115200,
)  # fmt: skip
ROUND = (
    100_000, 125_000, 128_000, 142_857, 150_000, 230_400, 250_000, 460_800, 500_000,
    750_000, 800_000, 921_600, 1_000_000,
)  # fmt: skip


def test_round_rates_do_not_fall_through_the_thinning() -> None:
    """A port that makes any rate makes these as they are."""
    made = {rate.baud for rate in rates(GRIDS["exact"], 300, 1_000_000)}
    assert made.issuperset(CUSTOMARY)
    assert made.issuperset(ROUND)
    unknown = [rate.baud for rate in rates(GRIDS["unknown"], 1, 2e6)]
    assert unknown == [float(rate) for rate in CUSTOMARY]


def test_thinned_to_two_parts_in_ten_thousand() -> None:
    """An octave of ln 2 / 2e-4 = 3466 steps, the round ones besides; none is wider."""
    made = [rate.baud for rate in rates(GRIDS["exact"], 1 << 17, (2 << 17) - 1)]
    assert len(made) == pytest.approx(math.log(2) / 2e-4, abs=100)
    assert max(b / a - 1 for a, b in pairwise(made)) < 2.02e-4


@pytest.mark.parametrize(
    "kind", ["fractional-divider", "integer-divider", "rate-table"]
)
def test_no_rate_is_left_out_of_a_coarse_grid(kind: str) -> None:
    """All that any request between the bounds becomes, each once (every request tried)."""
    grid = GRIDS[kind]
    low, high = 180_000, 240_000
    every = {grid.achieved(request) for request in range(low - 9000, high + 14_000)}
    found = [rate.baud for rate in rates(grid, low, high)]
    assert found == sorted(rate for rate in every if low <= rate <= high)


def test_no_narrow_plateau_is_stepped_over() -> None:
    """Beside one of 13,000 requests lie two of 4,700 and 1,800 (application note AN205)."""
    made = {rate.baud for rate in rates(GRIDS["rate-table"], 300, 1_000_000)}
    assert made == {
        300, 600, 1200, 1800, 2400, 4000, 4800, 7200, 9600, 14_400, 16_000, 19_200, 28_800,
        38_400, 51_200, 56_000, 57_600, 64_000, 76_800, 115_200, 128_000, 153_600, 230_400,
        250_000, 256_000, 460_800, 500_000, 576_000, 921_600, 1_000_000,
    }  # fmt: skip


def test_ends_of_the_range() -> None:
    """From 256 baud up to what the chip's data sheet promises, that included."""
    exact = rates(GRIDS["exact"], 1, 1e9)
    assert exact[0].baud == 256
    assert 3_000_000 * (1 - 2e-4) < exact[-1].baud <= 3_000_000
    assert rates(GRIDS["fast-fractional-divider"], 5e6, 1e9)[-1].baud == 12e6
    assert rates(GRIDS["exact"], 9600, 9600) == (Rate(baud=9600, request_baud=9600),)


@pytest.mark.parametrize(
    ("baud", "neighbours"),
    [
        (9600, {9600}),
        (100, set()),
        (255, {256}),
        (255.6, {256}),
        (3_000_000, {3_000_000}),
        (5_900_000, {rates(GRIDS["exact"], 2.9e6, 3e6)[-1].baud}),
        (9_000_000, set()),
    ],
)
def test_neighbours_of_a_rate(baud: float, neighbours: set[float]) -> None:
    """Below, above, and what the request gives; nothing beyond an octave of the ends."""
    found = {rate.baud for rate in around(GRIDS["exact"], baud)}
    assert neighbours <= found
    assert bool(found) is bool(neighbours)
    assert all(baud / 2.0 <= rate <= 2 * baud for rate in found)


def test_neighbours_lie_on_both_sides() -> None:
    """Of a coarse grid the next below and the next above (AN232B-05: 20 and 19.875)."""
    found = around(GRIDS["fractional-divider"], 150_500)
    assert {round(3e6 / rate.baud, 3) for rate in found} == {20.0, 19.875}
    table = {rate.baud for rate in around(GRIDS["unknown"], 60_000)}
    assert table == {57_600, 115_200}


def test_the_request_is_named_by_its_rate_where_that_makes_it() -> None:
    """A fixture that says 142857 gets what it names."""
    found = rates(GRIDS["fractional-divider"], 142_000, 143_500)
    assert [rate.request_baud for rate in found] == [142_012, 142_857]
