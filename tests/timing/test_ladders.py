"""Ladders: what each rung promises, on every adapter's clock grid."""

from __future__ import annotations

from itertools import pairwise

import pytest

from harness.timing.ladders import (
    Clockwork,
    Ladder,
    low_ladder,
    period_ladder,
    presence_ladder,
    read_ladder,
    reset_high_ladder,
    rise_ladder,
)
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import PULSE_BYTES, Frame

# a chip with a fixed table of rates has coarse ladders; its survey states larger doubts
FREE = sorted(k for k, grid in GRIDS.items() if grid.free and k != "rate-table")


def clock_of(kind: str) -> Clockwork:
    return Clockwork.of_grid(GRIDS[kind])


def largest_gap_us(ladder: Ladder) -> float:
    middles = [rung.middle_us for rung in ladder]
    return max(b - a for a, b in pairwise(middles))


@pytest.mark.parametrize("kind", FREE)
def test_write_ladder_is_fine_enough(kind: str) -> None:
    """Low times from 5 to 75 us come in steps that allow a half width of 1 us."""
    ladder = low_ladder(clock_of(kind), 5.0, 75.0, 0.15)
    assert ladder[0].middle_us == pytest.approx(5, abs=0.5)
    assert ladder[-1].middle_us == pytest.approx(75, abs=1.5)
    assert largest_gap_us(ladder) < 1.2
    for rung in ladder:
        frame = Frame(byte=rung.byte, baud=1e6 / rung.bit_us)
        assert rung.early_us <= frame.low_us <= rung.late_us


@pytest.mark.parametrize("kind", FREE)
def test_read_ladder_keeps_slots_legal(kind: str) -> None:
    """Each read rung has a legal read low (5..15 us, S1 S3)."""
    ladder = read_ladder(clock_of(kind), 10.5, 75.0, 0.15)
    assert ladder[0].middle_us < 11
    assert ladder[-1].middle_us > 74
    assert largest_gap_us(ladder) < 1.0
    for rung in ladder:
        assert 5 <= rung.bit_us <= 15


@pytest.mark.parametrize("kind", FREE)
@pytest.mark.parametrize("make", [presence_ladder, reset_high_ladder])
def test_reset_ladders_obey_the_reset_limits(kind: str, make: object) -> None:
    """Every probing reset pulls low for 480 to 640 us, clock error included (S1, S2)."""
    assert callable(make)
    clock = clock_of(kind)
    ladder = make(clock, 30.0, 600.0, 4.0)
    assert len(ladder) > 20
    for rung in ladder:
        low_us = (1 + PULSE_BYTES.index(rung.byte)) * rung.bit_us
        assert low_us * (1 - clock.doubt_ppm * 1e-6) >= 480
        assert low_us * (1 + clock.doubt_ppm * 1e-6) <= 640


@pytest.mark.parametrize("kind", FREE)
def test_presence_ladder_has_no_hole_after_its_start(kind: str) -> None:
    """From 34 us on rungs lie close, and an edge is known to 5 us but for one region.

    From 70 to 107 us only F8h and FCh sample there within the reset limits, at 140 us a bit and more,
    and the receiver's grid of a sixteenth bit is as wide as the doubt: up to 6.5 us.
    """
    ladder = presence_ladder(clock_of(kind), 34.0, 305.0, 1.5)
    assert largest_gap_us(ladder) < 5
    for rung in ladder:
        wide = 13.5 if 70 <= rung.middle_us <= 107 else 10.0
        assert rung.late_us - rung.early_us < wide


@pytest.mark.parametrize("make", [rise_ladder, period_ladder])
def test_ladders_rise(make: object) -> None:
    """Rungs come in rising order and none twice."""
    assert callable(make)
    ladder = make(clock_of("fractional-divider"), 20.0, 40.0, 0.2)
    middles = [rung.middle_us for rung in ladder]
    assert middles == sorted(middles)
    assert len({(r.byte, r.request_baud, r.bit) for r in ladder}) == len(ladder)


def test_a_known_clock_error_moves_every_rung() -> None:
    """A clock found 4000 ppm fast makes every time 0.4 % shorter."""
    grid = GRIDS["exact"]
    slow = Clockwork(grid=grid, error_ppm=0.0, doubt_ppm=0.0)
    fast = Clockwork(grid=grid, error_ppm=4000.0, doubt_ppm=0.0)
    for one, other in zip(
        low_ladder(slow, 10, 20, 1), low_ladder(fast, 10, 20, 1), strict=True
    ):
        assert other.middle_us == pytest.approx(one.middle_us / 1.004)
