"""The synthesiser: what it makes, how well it says so, and what it refuses."""

import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE, STANDARD
from harness.wire.slots.frames import PULSE_BYTES, CannotMake
from harness.wire.slots.synthesis import (
    OVERDRIVE_READ_SLOT,
    OVERDRIVE_RESET,
    READ_SLOT,
    RESET,
    WRITE_SLOT,
    Made,
    for_low,
    for_sample,
    sweep_low,
    sweep_sample,
)

SEEDED = settings(derandomize=True, deadline=None)

COMMON = ("fractional-divider", "integer-divider", "prescaled-divider")
FREE = sorted(kind for kind, grid in GRIDS.items() if grid.free)


def _wave(made: Made) -> tuple[Fraction, list[Fraction]]:
    """End of the low and the middles of the data bits, drawn bit by bit in us.

    A second opinion on the arithmetic: the character is laid out as levels, start
    bit first, and read off.
    """
    bit = Fraction(1_000_000) / Fraction(made.frame.baud)
    levels = [0, *(made.frame.byte >> place & 1 for place in range(8))]
    levels += [1] * made.frame.stop_bits
    return bit * levels.index(1), [bit * place + bit / 2 for place in range(1, 9)]


def test_a_low_on_the_grid_is_exact() -> None:
    """70 us at 100 kbaud is C0h; 3 MHz / 30 makes that rate exactly."""
    made = for_low(60.0, GRIDS["fractional-divider"])
    assert made.error_us == pytest.approx(0, abs=1e-9)
    # 9 bits of 150 kbaud need no idle: slot 66.67, recovery 6.67 (arithmetic of an 8N1 character)
    assert (made.frame.byte, made.frame.baud, made.single) == (0x00, 150_000, False)


@pytest.mark.parametrize("kind", FREE)
@SEEDED
@given(low_us=st.floats(6, 110))
def test_achieved_low(kind: str, low_us: float) -> None:
    """The stated low is that of the drawn character, at the rate really got."""
    grid = GRIDS[kind]
    made = for_low(low_us, grid, within_us=math.inf)
    assert grid.achieved(made.request_baud) == made.frame.baud
    end, _ = _wave(made)
    assert made.achieved_us == pytest.approx(float(end))
    assert made.error_us == pytest.approx(float(end) - low_us)
    assert made.low.half_width_us == pytest.approx(
        float(end) * grid.tolerance_ppm * 1e-6
    )


@pytest.mark.parametrize("kind", COMMON)
@SEEDED
@given(
    low_us=st.floats(15, 60), baud=st.integers(16_000, 600_000), zeros=st.integers(0, 8)
)
def test_no_other_frame_comes_much_nearer(
    kind: str, low_us: float, baud: int, zeros: int
) -> None:
    """Back to back, no frame beats the chosen one by more than a tie is wide."""
    grid = GRIDS[kind]
    made = for_low(low_us, grid)
    other_us = (1 + zeros) * 1e6 / grid.achieved(baud)
    length_us = 10 * 1e6 / grid.achieved(baud)
    if length_us >= 65 and length_us - other_us >= 5:
        assert not made.single
        assert abs(made.error_us) <= abs(other_us - low_us) + 1e-3 * low_us


@pytest.mark.parametrize("kind", FREE)
@SEEDED
@given(sample_us=st.floats(15, 60))
def test_achieved_sample(kind: str, sample_us: float) -> None:
    """The stated sample covers the middle of its bit to 1/16 bit later."""
    grid = GRIDS[kind]
    made = for_sample(sample_us, grid, within_us=math.inf)
    assert made.bit is not None
    assert made.sample is not None
    _, middles = _wave(made)
    first = float(middles[made.bit])
    last = first + made.frame.bit_us / 16
    sample = made.sample
    assert sample.value_us - sample.receiver_us == pytest.approx(first)
    assert sample.value_us + sample.receiver_us == pytest.approx(last)
    assert sample.clock_us == pytest.approx(sample.value_us * grid.tolerance_ppm * 1e-6)
    assert 5 <= made.low.value_us <= 15


@pytest.mark.parametrize("kind", COMMON)
def test_sample_instants_of_devices_are_within_reach(kind: str) -> None:
    """15 to 60 us in half microseconds: every gap below 0.75 us, half width below 1 us."""
    ladder = sweep_low(15, 60, GRIDS[kind], step_us=0.5)
    at = [made.achieved_us for made in ladder]
    assert at[0] == pytest.approx(15, abs=0.25)
    assert at[-1] == pytest.approx(60, abs=0.25)
    assert max(b - a for a, b in pairwise(at)) < 0.75
    assert all(made.low.half_width_us < 1.0 for made in ladder)
    assert all(
        made.frame.length_us >= 65 and made.frame.high_us >= 5 for made in ladder
    )


@pytest.mark.parametrize("kind", COMMON)
def test_hold_times_of_devices_are_within_reach(kind: str) -> None:
    """Read samples from 15 to 60 us, each with a legal read low, well below 1 us."""
    ladder = sweep_sample(15, 60, GRIDS[kind], step_us=0.5)
    at = [made.achieved_us for made in ladder]
    assert max(b - a for a, b in pairwise(at)) < 1.0
    assert all(made.frame.byte == 0xFF for made in ladder)
    assert all(made.sample and made.sample.half_width_us < 0.6 for made in ladder)


@pytest.mark.parametrize("kind", COMMON)
def test_presence_edges_within_reach(kind: str) -> None:
    """Resets sample from 32.5 us after release on, within 5 us as far as 80 us.

    Limits: reset low 480..640 (S1), 480 high (S4 S6); where the character is too short
    the idle time makes up for it.
    """
    grid = GRIDS[kind]
    ladder = sweep_sample(30, 310, grid, step_us=2.5, terms=RESET, since="release")
    assert ladder[0].achieved_us == pytest.approx(32.5, abs=0.2)
    assert ladder[-1].achieved_us > 305
    for made in ladder:
        assert made.low.value_us >= 480 - 1e-6
        assert made.low.value_us <= 640 + 1e-6
        assert made.frame.high_us + made.idle_us >= 480 - 1e-6
        end, middles = _wave(made)
        assert made.bit is not None
        assert made.sample is not None
        first = float(middles[made.bit] - end)
        assert made.sample.value_us == pytest.approx(first + made.frame.bit_us / 32)
        assert made.sample.half_width_us < (5.0 if made.achieved_us < 80 else 6.5)


def test_presence_before_the_earliest_sample_is_refused() -> None:
    """With 480 us of low no data bit comes sooner than 32 us after release."""
    with pytest.raises(CannotMake, match=r"can lie from 31\.9 to"):
        for_sample(15, GRIDS["exact"], terms=RESET, since="release")


def test_overdrive_ladders() -> None:
    """A fast adapter samples presence from 3.5 us and read zeros through 2..6 us."""
    grid = GRIDS["fast-fractional-divider"]
    resets = sweep_sample(
        3.25, 30, grid, step_us=0.5, terms=OVERDRIVE_RESET, since="release"
    )
    assert resets[0].achieved_us < 3.8
    assert all(made.low.value_us <= 80 + 1e-6 for made in resets)
    reads = sweep_sample(1.6, 6, grid, step_us=0.1, terms=OVERDRIVE_READ_SLOT)
    assert len(reads) > 35
    limit = OVERDRIVE.write_1_low
    assert all(limit.holds(made.low.value_us) for made in reads)
    assert all(made.sample and made.sample.half_width_us < 0.06 for made in reads)


def test_too_slow_for_overdrive() -> None:
    """An adapter of unknown grid makes no overdrive read slot, and the reason shows."""
    with pytest.raises(CannotMake, match="unknown makes no rate for it"):
        for_sample(2, GRIDS["unknown"], terms=OVERDRIVE_READ_SLOT)


def test_short_slots_state_their_idle_time() -> None:
    """A read low of 5 us makes a slot of 50 us: 15 us of idle are owed to 65 us."""
    made = for_low(5, GRIDS["exact"], terms=replace(WRITE_SLOT, zeros=(0,)))
    assert made.frame.byte == 0xFF
    assert made.single
    assert made.frame.length_us + made.idle_us == pytest.approx(65)


def test_a_second_stop_bit_saves_the_idle_time() -> None:
    """6 us of low need 6.5 us a bit with one stop bit; 8N2 reaches 66 us at once."""
    ones = replace(WRITE_SLOT, zeros=(0,))
    grid = GRIDS["exact"]
    assert for_low(6, grid, terms=ones).frame.stop_bits == 2
    assert not for_low(6, grid, terms=ones).single
    assert for_low(6, grid, terms=replace(ones, stop_bits=(1,))).single
    one_only = replace(grid, stop_bits=(1,))
    assert for_low(6, one_only, terms=ones).frame.stop_bits == 1


def test_refusal_names_the_nearest() -> None:
    """What cannot be made is refused with the nearest time that can."""
    with pytest.raises(CannotMake, match=r"comes nearest with 86\.806 us") as caught:
        for_low(90, GRIDS["unknown"])
    assert caught.value.nearest_us == pytest.approx(86.806, abs=0.001)
    # asked for the nearest, it is given
    nearest = for_low(90, GRIDS["unknown"], within_us=math.inf)
    assert nearest.achieved_us == pytest.approx(86.806, abs=0.001)


def test_shorter_than_the_fastest_bit() -> None:
    """A start bit alone is the shortest low: 0.333 us at the top rate."""
    with pytest.raises(CannotMake, match="FFh at 3000000 baud"):
        for_low(0.2, GRIDS["fractional-divider"])


def test_slower_than_the_slowest_rate() -> None:
    """A second of low is beyond any character."""
    with pytest.raises(CannotMake, match="makes no rate near it"):
        for_low(1e6, GRIDS["fractional-divider"])


def test_stop_bits_that_the_adapter_lacks() -> None:
    """Terms that ask for 8N2 alone are refused where there is only 8N1."""
    with pytest.raises(CannotMake, match="none of the stop bits"):
        for_low(60, GRIDS["unknown"], terms=replace(WRITE_SLOT, stop_bits=(2,)))


@pytest.mark.parametrize("low_us", [0.0, -1.0, math.inf, math.nan])
def test_no_time(low_us: float) -> None:
    """Zero, negative and endless times are refused."""
    with pytest.raises(CannotMake, match="is no time"):
        for_low(low_us, GRIDS["exact"])


@pytest.mark.parametrize("bounds", [(0, 10, 1), (20, 10, 1), (10, 20, 0)])
def test_no_sweep(bounds: tuple[float, float, float]) -> None:
    """A sweep needs a start, an end behind it and a step."""
    with pytest.raises(CannotMake, match="is no sweep"):
        sweep_low(bounds[0], bounds[1], GRIDS["exact"], step_us=bounds[2])


def test_an_empty_ladder() -> None:
    """Between two rungs of a coarse grid there is nothing."""
    with pytest.raises(CannotMake, match="cannot be made within"):
        sweep_low(88, 92, GRIDS["unknown"], step_us=1)


def test_a_coarse_grid_gives_all_it_has() -> None:
    """Rungs that fall on one rate are listed once, in order, inside the bounds."""
    ladder = sweep_low(15, 60, GRIDS["unknown"], step_us=0.5)
    at = [made.achieved_us for made in ladder]
    assert at == sorted(set(at))
    # 57600 baud: 17.36, 34.7, 52.1; 115200 baud: 26.0, 43.4 (and 17.36 once more)
    assert at == pytest.approx([17.36, 26.04, 34.72, 43.40, 52.08], abs=0.01)


def test_the_default_stress_row() -> None:
    """Write-0 from 60 to 120 us in steps of 5 is met within a percent, back to back."""
    terms = replace(WRITE_SLOT, zeros=tuple(range(1, 9)), stop_bits=(1,))
    for low_us in range(60, 121, 5):
        made = for_low(low_us, GRIDS["fractional-divider"], terms=terms)
        assert abs(made.error_us) <= 0.01 * low_us
        assert not made.single
        assert STANDARD.recovery.holds(made.frame.high_us)
        assert made.frame.byte in PULSE_BYTES[1:]
        assert made.frame.stop_bits == 1


def test_read_terms_keep_the_limits() -> None:
    """Read slots keep 5 to 15 us of low (S1 S3)."""
    assert (READ_SLOT.low_us_min, READ_SLOT.low_us_max) == (5, 15)
    made = for_sample(8, GRIDS["exact"])
    assert made.low.value_us >= 5 - 1e-9
    with pytest.raises(CannotMake, match=r"can lie from 7\.7 to 128\.0 us"):
        for_sample(130, GRIDS["exact"])
