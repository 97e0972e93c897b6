"""The chosen frames against a search that tries everything, with the limits written out."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS, ClockGrid
from harness.wire.limits import OVERDRIVE, OVERDRIVE_STRICT, STANDARD, SpeedLimits
from harness.wire.rates import rates
from harness.wire.slots.frames import (
    CannotMake,
    Frame,
    Presence,
    ResetFrame,
    SlotFrames,
    choose_reset,
    choose_slots,
    slot_candidates,
)
from harness.wire.slots.synthesis import (
    WRITE_SLOT,
    Since,
    Terms,
    for_low,
    for_sample,
    sweep_low,
    sweep_sample,
)

SEEDED = settings(derandomize=True, deadline=None)
SINCE: tuple[Since, ...] = ("edge", "release")

# write-1 low, write-0 low, sample until, recovery, slot in us: data sheets of parts DS2431
# and DS2413 p. 2-3, DS28E05 p. 2 and DS28EC20 p. 1-5; the second row below 4.5 V too
SHEETS = {
    "standard": ((5, 15), (62, 120), 15, 5, 67),
    "fast": ((5, 15), (60, 120), 15, 5, 65),
    "overdrive": ((1, 2), (8, 15.5), 2, 2, 8),
    "overdrive, strict": ((1, 2), (8, 15.5), 2, 5, 13),
}


def margin_of(sheet: str, baud: float, zeros: int, stop_bits: int) -> float:
    """Smallest share of a limit that a pair of frames keeps, by the definition of a character."""
    ones, lows, sample, recovery, slot = SHEETS[sheet]
    tb = 1e6 / baud
    return min(
        tb / ones[0] - 1,
        1 - tb / ones[1],
        (1 + zeros) * tb / lows[0] - 1,
        1 - (1 + zeros) * tb / lows[1],
        1 - (1.5 + 1 / 16) * tb / sample,
        (8 - zeros + stop_bits) * tb / recovery - 1,
        (9 + stop_bits) * tb / slot - 1,
    )


def tried(
    grid: ClockGrid, sheet: str
) -> Iterator[tuple[float, float, float, int, int]]:
    """Slot, margin less the clock's error, rate, zeros and stop bits of every pair."""
    for rate in rates(grid, 5e4, 1.2e6):
        for stop_bits in grid.stop_bits:
            for zeros in range(5, 9):
                kept = margin_of(sheet, rate.baud, zeros, stop_bits)
                length = (9 + stop_bits) * 1e6 / rate.baud
                yield (
                    length,
                    kept - grid.tolerance_ppm / 1e6,
                    rate.baud,
                    zeros,
                    stop_bits,
                )


@pytest.mark.parametrize("kind", ["fractional-divider", "integer-divider", "rate-table", "unknown", "prescaled-divider"])  # fmt: skip
@pytest.mark.parametrize("limits", [STANDARD, OVERDRIVE], ids=lambda x: x.name)
def test_the_shortest_slot_that_keeps_its_margin(
    kind: str, limits: SpeedLimits
) -> None:
    """One per cent of every limit; of one slot's length the byte that keeps most."""
    grid = GRIDS[kind]
    every = list(tried(grid, limits.name))
    good = [row for row in every if row[1] >= 0.01 - 1e-12]
    if not good:
        with pytest.raises(CannotMake):
            choose_slots(grid, limits=limits)
        return
    found = choose_slots(grid, limits=limits)
    shortest = min(row[0] for row in good)
    assert found.slot_us == pytest.approx(shortest)
    best = max(row[1] for row in good if row[0] == pytest.approx(shortest))
    assert found.margin == pytest.approx(best)
    assert found.limits is limits
    assert grid.achieved(found.request_baud) == found.baud


@pytest.mark.parametrize("kind", ["fractional-divider", "rate-table"])
def test_candidates_are_all_that_keep_it(kind: str) -> None:
    """Every pair with its margin, shortest slot first, fewest zeros first at one rate."""
    grid = GRIDS[kind]
    good = {
        (round(rate, 3), zeros, stop_bits)
        for _, kept, rate, zeros, stop_bits in tried(grid, "standard")
        if kept >= 0.02
    }
    found = list(slot_candidates(grid, 0.02))
    assert {
        (round(one.baud, 3), one.zero.zeros, one.stop_bits) for one in found
    } == good
    for one, other in pairwise(found):
        assert one.slot_us <= other.slot_us + 1e-9
        if (one.baud, one.stop_bits) == (other.baud, other.stop_bits):
            assert one.zero.zeros < other.zero.zeros


def test_strict_overdrive_falls_back_to_the_largest_margin() -> None:
    """No pair keeps a per cent: the one that keeps most is taken, and breaks nothing."""
    grid = GRIDS["fractional-divider"]
    best = max(row[1] for row in tried(grid, "overdrive, strict"))
    found = choose_slots(grid, limits=OVERDRIVE_STRICT)
    assert found.margin == pytest.approx(best, abs=1e-9)
    assert best < 0.01


@pytest.mark.parametrize("rise_us", [3.0, 4.0, 4.5])
def test_a_slow_line_gets_half_a_bit_for_its_rise(rise_us: float) -> None:
    """Half a bit for the receiver; twice the rise and the recovery after a write-0."""
    grid = GRIDS["fractional-divider"]
    found = choose_slots(grid, rise_us=rise_us)
    assert found.one.bit_us >= 2 * rise_us
    assert found.one.bit_us < 2 * rise_us * 1.1 or rise_us == 3.0
    assert found.zero.high_us >= 5 + 2 * rise_us
    assert choose_slots(grid).zero.high_us < found.zero.high_us


def test_a_line_too_slow_for_any_slot() -> None:
    """The sample must come within 15 us: with 1.5 bits a bit is 10 us at most."""
    with pytest.raises(CannotMake):
        choose_slots(GRIDS["fractional-divider"], rise_us=4.9)


@pytest.mark.parametrize("limits", [STANDARD, OVERDRIVE], ids=lambda x: x.name)
@pytest.mark.parametrize("kind", sorted(GRIDS))
def test_the_reset_with_the_most_room(kind: str, limits: SpeedLimits) -> None:
    """Around its first sample, to 60 us and the rise before it, and to 75 us behind it.

    8 and 10 us in overdrive; low 480 to 640 us (48 to 80) with a per cent to spare, then
    480 us (48) of high in the character.
    """
    grid = GRIDS[kind]
    standard = limits is STANDARD
    low, high, window, rise = (
        ((480, 640), 480, (60, 75), 2.0) if standard else ((48, 80), 48, (8, 10), 0.5)
    )
    best = -math.inf
    for rate in rates(grid, *((5_000, 11_000) if standard else (40_000, 80_000))):
        tb = 1e6 / rate.baud
        for zeros in (3, 4):
            low_us, high_us = (1 + zeros) * tb, (9 - zeros) * tb
            if not low[0] * 1.01 <= low_us <= low[1] * 0.99 or high_us < high:
                continue
            first, last = tb / 2, tb * (1 / 2 + 1 / 16)
            room = min(first - window[0] - rise, window[1] - last)
            best = max(best, room - last * grid.tolerance_ppm / 1e6)
    found = choose_reset(grid, limits=limits)
    assert found.room_us == pytest.approx(best)
    assert found.certain is (best >= 0)
    assert ("could be missed" in found.reason) is not found.certain
    assert found.limits is limits


# -- what an echo says ---------------------------------------------------------------

RESET = ResetFrame(
    request_baud=8000, frame=Frame(byte=0xF8, baud=8000), room_us=0.0, reason=""
)
"""125 us a bit: samples 62.5, 187.5, 312.5, 437.5 and 562.5 us after release, 7.8 us wide."""


def test_a_pulse_is_bracketed_by_the_samples_around_it() -> None:
    """High for certain at the sample before, from its earliest; again at the one behind."""
    assert RESET.certain
    for echo, before, after in (
        (0xF8, None, None),
        (0xF0, None, 187.5 + 7.8125),
        (0xE8, 62.5, 312.5 + 7.8125),
        (0xC8, 62.5, 437.5 + 7.8125),
        (0x78, 437.5, None),
        (0x00, None, None),
        (0xA8, 62.5, 562.5 + 7.8125),
    ):
        found = RESET.read(echo)
        assert (found.sent, found.echo) == (0xF8, echo)
        for value, expected in ((found.low_from_us, before), (found.low_to_us, after)):
            assert value == (None if expected is None else pytest.approx(expected))


@pytest.mark.parametrize(
    ("baud", "echo", "presence"),
    [
        # low at a sample later than 60 + 240 us and 2 us of rise: too long
        (8000, 0xE0, Presence.SEEN),
        (8000, 0xC0, Presence.LONG),
        (8277, 0xC0, Presence.LONG),  # its third sample comes 302.04 us after release
        (8280, 0xC0, Presence.SEEN),
        # high at a sample later than 60 us and the rise: too late
        (8000, 0xE8, Presence.LATE),
        (8064, 0xE8, Presence.LATE),  # 62.004 us
        (8068, 0xE8, Presence.SEEN),  # 61.97 us
        (8000, 0xD8, Presence.LONG),
        (8000, 0xD0, Presence.UNCLEAR),
        (8000, 0xF8, Presence.ABSENT),
        (8000, 0x00, Presence.SHORTED),
        (8000, 0x08, Presence.LONG),
    ],
)
def test_where_a_pulse_becomes_late_or_long(
    baud: int, echo: int, presence: Presence
) -> None:
    """To the microsecond, by the instants at which the bits are sampled."""
    reset = replace(RESET, frame=Frame(byte=0xF8, baud=baud))
    assert reset.read(echo).presence is presence


@pytest.mark.parametrize("echo", [0xF9, 0xFA, 0xFC, 0xFF])
def test_the_host_s_own_low_must_show(echo: int) -> None:
    """Each of its three zeros."""
    with pytest.raises(ValueError, match=f"sent F8h, got {echo:02X}h"):
        RESET.read(echo)


# -- bits and bytes -------------------------------------------------------------------

SLOTS = SlotFrames(100_000, 100_000.0, 0xC0, 0.0, "")


@given(st.binary(max_size=40))
@SEEDED
def test_bytes_go_out_low_bit_first(data: bytes) -> None:
    """FFh for a 1, the chosen byte for a 0; what comes back is read the same way."""
    bits = [value >> place & 1 for value in data for place in range(8)]
    frames = bytes(0xFF if bit else 0xC0 for bit in bits)
    assert SLOTS.encode(data) == SLOTS.encode_bits(bits) == frames
    assert SLOTS.decode(frames) == data
    assert SLOTS.decode_bits(frames) == bits
    assert SLOTS.read(len(bits)) == b"\xff" * len(bits)
    # only the lowest bit of an echo is the answer
    assert SLOTS.decode(bytes(value ^ 0x7E for value in frames)) == data


@pytest.mark.parametrize("count", [1, 7, 9, 12])
def test_slots_that_are_no_bytes(count: int) -> None:
    """Eight make one; a rest is refused."""
    with pytest.raises(ValueError, match=f"{count} slots are no whole bytes"):
        SLOTS.decode(b"\xff" * count)


def test_frames_of_the_slots() -> None:
    """Rate, byte and stop bits as chosen."""
    assert (SLOTS.one.byte, SLOTS.zero.byte, SLOTS.stop_bits) == (0xFF, 0xC0, 1)
    assert SLOTS.slot_us == pytest.approx(100)
    two = replace(SLOTS, stop_bits=2)
    assert two.zero.high_us == pytest.approx(10 * (8 - 6 + 2))
    assert two.slot_us == pytest.approx(110)


# -- the synthesiser against every frame there is --------------------------------------


def frames_of(grid: ClockGrid, terms: Terms) -> list[tuple[float, int, int]]:
    """Rate, zeros and stop bits of every frame that a grid makes."""
    return [
        (rate.baud, zeros, stop_bits)
        for rate in rates(grid, 256, 4e6)
        for zeros in terms.zeros
        for stop_bits in terms.stop_bits
        if stop_bits in grid.stop_bits
    ]


UNKNOWN = frames_of(GRIDS["unknown"], WRITE_SLOT)


@SEEDED
@given(low_us=st.floats(9, 800))
def test_no_frame_is_nearer_to_a_low(low_us: float) -> None:
    """With any error allowed, a frame wins that is as near as any, idle or not.

    Those that may follow each other without idle time (65 us, 5 us of high) come first.
    """
    found = for_low(low_us, GRIDS["unknown"], within_us=math.inf)
    rows = []
    for baud, zeros, stop_bits in UNKNOWN:
        tb = 1e6 / baud
        idle = max(0.0, 65 - (9 + stop_bits) * tb, 5 - (8 - zeros + stop_bits) * tb)
        rows.append((idle > 1e-9, abs((1 + zeros) * tb - low_us)))
    rows = [row for row in rows if row[1] <= 0.55 * low_us]
    quiet, error = min(rows)
    assert found.single is quiet
    assert abs(found.error_us) <= error + 6e-4 * low_us
    assert found.low.value_us == pytest.approx(found.frame.low_us)
    # clock of 1 %; a low has no doubt of the receiver
    assert found.low.half_width_us == pytest.approx(0.01 * found.frame.low_us)
    assert found.sample is None


@pytest.mark.parametrize(
    ("low_us", "terms", "idle_us"),
    [
        # FFh of 5 us a bit: 50 us with one stop bit, 55 with two
        (5, Terms(slot_us_min=65, zeros=(0,), stop_bits=(1,)), 15),
        (5, Terms(slot_us_min=65, zeros=(0,), stop_bits=(2,)), 10),
        # 00h of 10 us a bit: one stop bit of high, 7 are missing of 17
        (90, Terms(recovery_us_min=17, zeros=(8,), stop_bits=(1,)), 7),
        (90, Terms(recovery_us_min=17, zeros=(8,), stop_bits=(2,)), 0),
        # the larger of both
        (90, Terms(slot_us_min=103, recovery_us_min=17, zeros=(8,), stop_bits=(1,)), 7),
        (90, Terms(slot_us_min=109, recovery_us_min=17, zeros=(8,), stop_bits=(1,)), 9),
    ],
)
def test_idle_time_that_is_owed(low_us: float, terms: Terms, idle_us: float) -> None:
    """What the character lacks of the slot, and of its recovery."""
    made = for_low(low_us, GRIDS["exact"], terms=terms)
    assert made.frame.low_us == pytest.approx(low_us, rel=1e-3)
    assert made.idle_us == pytest.approx(idle_us, abs=0.02)
    assert made.single is (idle_us > 0)


def test_idle_time_costs_nothing_alone() -> None:
    """Sent on its own anyway, the shortest whole time wins, not the one without idle."""
    ones = Terms(slot_us_min=66, zeros=(0,))
    grid = GRIDS["exact"]
    assert for_low(6, grid, terms=ones).frame.stop_bits == 2
    assert for_low(6, grid, terms=replace(ones, alone=True)).frame.stop_bits == 1


@pytest.mark.parametrize(("within", "made"), [(None, False), (1.7, False), (1.9, True)])
def test_two_per_cent_unless_another_is_given(within: float | None, made: bool) -> None:
    """88.6 us are 1.79 us off the 86.8 us of 115200 baud: 2 % are 1.772 us."""
    grid = GRIDS["unknown"]
    if made:
        assert for_low(88.6, grid, within_us=within).achieved_us == pytest.approx(
            86.8, abs=0.01
        )
    else:
        with pytest.raises(CannotMake, match="comes nearest"):
            for_low(88.6, grid, within_us=within)
    assert for_low(88.5, GRIDS["unknown"]).achieved_us == pytest.approx(86.8, abs=0.01)


@SEEDED
@given(sample_us=st.floats(8, 120), since=st.sampled_from(SINCE))
def test_a_sample_is_where_the_character_has_it(sample_us: float, since: Since) -> None:
    """The middle of a sixteenth of a bit, 1.5 bits behind the edge and on; the low legal."""
    terms = Terms(low_us_min=5, low_us_max=100, zeros=(0, 1, 2))
    made = for_sample(
        sample_us,
        GRIDS["fractional-divider"],
        terms=terms,
        since=since,
        within_us=1.0,
    )
    tb = made.frame.bit_us
    assert made.bit is not None
    origin = (1 + made.frame.zeros) * tb if since == "release" else 0.0
    middle = (made.bit + 1.5 + 1 / 32) * tb - origin
    assert made.sample is not None
    assert made.sample.value_us == pytest.approx(middle)
    assert made.sample.receiver_us == pytest.approx(tb / 32)
    assert made.sample.clock_us == pytest.approx(middle * 1667e-6)
    assert made.sample.half_width_us == pytest.approx(tb / 32 + middle * 1667e-6)
    assert made.error_us == pytest.approx(middle - sample_us)
    assert abs(made.error_us) <= 1.0
    assert 5 - 1e-6 <= made.frame.low_us <= 100 + 1e-6
    assert made.bit >= made.frame.zeros
    other = made.sample_of(7)
    assert other.value_us == pytest.approx((8.5 + 1 / 32) * tb - origin)


def test_a_sweep_keeps_to_its_bounds_and_steps() -> None:
    """A rung for each step, the ends included, and none twice."""
    lows = sweep_low(60, 64, GRIDS["exact"], step_us=0.5)
    assert [made.achieved_us for made in lows] == pytest.approx(
        [60 + 0.5 * n for n in range(9)], abs=0.02
    )
    assert [made.wanted_us for made in lows] == [60 + 0.5 * n for n in range(9)]
    samples = sweep_sample(20, 21, GRIDS["exact"], step_us=0.25)
    assert [made.achieved_us for made in samples] == pytest.approx(
        [20 + 0.25 * n for n in range(5)], abs=0.02
    )
    single = sweep_low(60, 60, GRIDS["exact"], step_us=1)
    assert len(single) == 1
    # half a step is as far as a rung may be from what it is for
    with pytest.raises(CannotMake, match=r"within 0\.25 us"):
        sweep_low(87.2, 87.2, GRIDS["unknown"], step_us=0.5)
