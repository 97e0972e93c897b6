"""The chosen frames: fast on request, overdrive strict and relaxed, and refusals."""

from dataclasses import replace

import pytest

from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE, OVERDRIVE_STRICT, SpeedLimits
from harness.wire.slots.frames import (
    CannotMake,
    Frame,
    Presence,
    choose_reset,
    choose_slots,
    slot_margins,
)

CRYSTAL = replace(GRIDS["fractional-divider"], tolerance_ppm=50)

# (byte, baud, stop bits, low, recovery, slot, first sample): arithmetic of an 8N1 character.
OVERDRIVE_SLOTS = [
    (0xE0, 750_000, 1, 8.00, 5.33, 13.33, 2.000),
    (0xC0, 750_000, 1, 9.33, 4.00, 13.33, 2.000),
    (0xE0, 800_000, 1, 7.50, 5.00, 12.50, 1.875),
    (0xC0, 800_000, 1, 8.75, 3.75, 12.50, 1.875),
    (0xC0, 800_000, 2, 8.75, 5.00, 13.75, 1.875),
    (0x80, 800_000, 2, 10.0, 3.75, 13.75, 1.875),
    (0x80, 921_600, 1, 8.68, 2.17, 10.85, 1.628),
    (0x80, 1_000_000, 1, 8.00, 2.00, 10.00, 1.500),
    (0x80, 1_000_000, 2, 8.00, 3.00, 11.00, 1.500),
]


@pytest.mark.parametrize("row", OVERDRIVE_SLOTS)
def test_overdrive_frames(
    row: tuple[int, int, int, float, float, float, float],
) -> None:
    """Low, recovery, length and sample are those of the published table."""
    byte, baud, stop_bits, *published = row
    zero = Frame(byte=byte, baud=baud, stop_bits=stop_bits)
    first, _ = Frame(byte=0xFF, baud=baud).sample_us(0)
    achieved = [zero.low_us, zero.high_us, zero.length_us, first]
    assert achieved == pytest.approx(published, abs=0.006)


def test_strict_overdrive() -> None:
    """800 kbaud, 8N2, C0h meets every strict limit (arithmetic of an 8N1 character)."""
    slots = choose_slots(GRIDS["fractional-divider"], limits=OVERDRIVE_STRICT)
    assert (slots.baud, slots.stop_bits, slots.write_0_byte) == (800_000, 2, 0xC0)
    margins = slot_margins(slots.one, slots.zero, OVERDRIVE_STRICT)
    assert min(margins.values()) >= -1e-12
    # 5.00 us of recovery is the limit itself: no margin, and the reason says so
    assert margins["recovery"] == pytest.approx(0.0, abs=1e-9)
    assert "no rate keeps 1%" in slots.reason


@pytest.mark.parametrize("kind", sorted(set(GRIDS) - {"unknown"}))
def test_relaxed_overdrive_keeps_every_limit(kind: str) -> None:
    """At the worst clock each relaxed overdrive limit keeps nearly 1 %."""
    grid = GRIDS[kind]
    slots = choose_slots(grid, limits=OVERDRIVE)
    for error in (-grid.tolerance_ppm, grid.tolerance_ppm):
        baud = slots.baud * (1 + error * 1e-6)
        one = replace(slots.one, baud=baud)
        zero = replace(slots.zero, baud=baud)
        assert min(slot_margins(one, zero, OVERDRIVE).values()) >= 0.0095
        # S1 S3 S4: write-1 low 1..2, write-0 low 8..15.5, slot from 8, sample until 2
        assert 1 <= one.low_us <= 2
        assert 8 <= zero.low_us <= 15.5
        assert one.length_us >= 8
        assert one.sample_us(0)[1] <= 2


def test_one_megabaud_on_request() -> None:
    """A crystal may sit at the limit: 1 Mbaud with 80h, 10 us a slot (arithmetic of an 8N1 character)."""
    slots = choose_slots(CRYSTAL, limits=OVERDRIVE, fast=True)
    assert (slots.baud, slots.write_0_byte) == (1_000_000, 0x80)
    assert slots.slot_us == pytest.approx(10.0)
    oscillator = GRIDS["fractional-divider"]
    slower = choose_slots(oscillator, limits=OVERDRIVE, fast=True)
    assert slower.baud == 960_000
    assert "at the worst clock" in slower.reason


def test_150_kbaud_on_request_only() -> None:
    """A crystal gets 66.7 us a slot when asked; the default keeps its margin."""
    assert choose_slots(CRYSTAL, fast=True).baud == 150_000
    assert choose_slots(CRYSTAL, fast=True).slot_us == pytest.approx(66.67, abs=0.01)
    assert choose_slots(CRYSTAL).baud < 145_000


def test_which_clocks_may_sit_at_a_limit() -> None:
    """Those within 200 ppm, that included; any other holds the limits at its worst."""
    at_limit = choose_slots(replace(CRYSTAL, tolerance_ppm=200), fast=True)
    assert at_limit.baud == 150_000
    assert "nothing kept in hand" in at_limit.reason
    beyond = choose_slots(replace(CRYSTAL, tolerance_ppm=201), fast=True)
    assert beyond.baud < 150_000
    assert "at the worst clock" in beyond.reason


def test_a_poor_clock_gets_less_than_150_kbaud() -> None:
    """At the worst of an internal oscillator write-0 is still 60 us low."""
    grid = GRIDS["fractional-divider"]
    slots = choose_slots(grid, fast=True)
    assert 145_000 < slots.baud < 150_000
    worst = replace(slots.zero, baud=slots.baud * (1 + grid.tolerance_ppm * 1e-6))
    assert worst.low_us >= 60
    assert "only a clock within 200 ppm" in slots.reason


def test_a_coarse_table_falls_back() -> None:
    """Without 150 kbaud the table's next legal rate is taken: 128 kbaud."""
    slots = choose_slots(GRIDS["rate-table"], fast=True)
    assert slots.baud == 128_000
    assert "128000 baud" in slots.reason


@pytest.mark.parametrize("limits", [OVERDRIVE, OVERDRIVE_STRICT])
def test_too_slow_for_overdrive(limits: SpeedLimits) -> None:
    """Customary rates end at 115200; the refusal names what is needed."""
    with pytest.raises(CannotMake, match="needs at least 750000 baud"):
        choose_slots(GRIDS["unknown"], limits=limits)


def test_too_coarse_for_strict_overdrive() -> None:
    """The old rate table reaches overdrive, but breaks the strict recovery."""
    with pytest.raises(CannotMake, match=r"921600 baud 8N2 .* breaks recovery"):
        choose_slots(GRIDS["rate-table"], limits=OVERDRIVE_STRICT)


def test_one_stop_bit_is_not_enough_for_strict_overdrive() -> None:
    """Without 8N2 no frame leaves 5 us and still samples before 2 us (arithmetic of an 8N1 character)."""
    grid = replace(GRIDS["exact"], stop_bits=(1,))
    with pytest.raises(CannotMake, match="overdrive, strict"):
        choose_slots(grid, limits=OVERDRIVE_STRICT)


@pytest.mark.parametrize("kind", sorted(GRIDS))
def test_overdrive_reset_misses_no_presence_pulse(kind: str) -> None:
    """F8h near 57600 baud samples while every pulse within limits is low (S1 S3 S4)."""
    reset = choose_reset(GRIDS[kind], limits=OVERDRIVE)
    assert reset.certain
    frame = reset.frame
    assert frame.byte == 0xF8
    assert frame.baud == pytest.approx(57_600, rel=0.005)
    # never 80..480: undefined for overdrive devices (data sheets DS2502 p. 12-17, DS1957 p. 19-20, DS2432 p. 30)
    assert 48 <= frame.low_us <= 80
    assert frame.high_us >= 48
    first, last = frame.samples_after_release_us()[0]
    for wait_us in (2, 4, 6):
        for low_us in (8, 16, 24):
            assert wait_us <= first
            assert last <= wait_us + low_us


# none F8h, present F0h or E0h (arithmetic of an 8N1 character); a low over 24 + 6 us is out of limits
@pytest.mark.parametrize(
    ("echo", "presence"),
    [
        (0xF8, Presence.ABSENT),
        (0xF0, Presence.SEEN),
        (0xE0, Presence.SEEN),
        (0x80, Presence.LONG),
        (0x00, Presence.SHORTED),
        (0xE8, Presence.LATE),
    ],
)
def test_overdrive_echo(echo: int, presence: Presence) -> None:
    """The reset judges its echo by the limits it was chosen by."""
    reset = choose_reset(GRIDS["exact"], limits=OVERDRIVE)
    assert reset.read(echo).presence is presence


def test_no_reset_at_all() -> None:
    """A grid without any rate near 7 kbaud is refused with the rates needed."""
    grid = replace(GRIDS["exact"], achieved=lambda _: 115_200.0)
    with pytest.raises(CannotMake, match="6667 to 8333 baud"):
        choose_reset(grid)
