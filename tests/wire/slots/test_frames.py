"""Frame arithmetic against the published tables, and the default frames against the limits."""

import pytest

from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE, STANDARD
from harness.wire.slots.frames import (
    OVERSAMPLING,
    Frame,
    Presence,
    ResetFrame,
    choose_reset,
    choose_slots,
    slot_margins,
)

# (byte, baud, low us, high in frame us): arithmetic of an 8N1 character, one decimal or two.
GEOMETRY = [
    (0xF0, 9600, 520.83, 520.83),
    (0xF8, 7200, 555.56, 833.3),
    (0xF8, 7500, 533.33, 800.0),
    (0xF0, 8000, 625.00, 625.0),
    (0xF8, 8000, 500.00, 750.0),
    (0x00, 115200, 78.12, 8.68),
    (0x80, 115200, 69.44, 17.36),
    (0xC0, 115200, 60.76, 26.04),
    (0xFF, 115200, 8.68, 78.12),
    (0x00, 142857, 63.0, 7.0),
    (0x00, 150000, 60.0, 6.67),
]


@pytest.mark.parametrize(("byte", "baud", "low_us", "high_us"), GEOMETRY)
def test_low_and_high(byte: int, baud: int, low_us: float, high_us: float) -> None:
    """Low and high times are those of the published tables."""
    frame = Frame(byte=byte, baud=baud)
    assert frame.low_us == pytest.approx(low_us, abs=0.06)
    assert frame.high_us == pytest.approx(high_us, abs=0.06)


def test_sample_points_at_115200() -> None:
    """Data bits are sampled at 13.02, 21.70 .. 73.78 us (arithmetic of an 8N1 character)."""
    frame = Frame(byte=0xFF, baud=115200)
    published = [13.02, 21.70, 30.38, 39.06, 47.74, 56.42, 65.10, 73.78]
    assert [frame.sample_us(bit)[0] for bit in range(8)] == pytest.approx(
        published, abs=0.01
    )


def test_a_second_stop_bit_adds_high_time() -> None:
    """Two stop bits lengthen the slot by one bit time, all of it high."""
    one = Frame(byte=0xC0, baud=800_000)
    two = Frame(byte=0xC0, baud=800_000, stop_bits=2)
    assert two.length_us - one.length_us == pytest.approx(1.25)
    # 8N2 at 800 kbaud: low 8.75, recovery 5.00 (arithmetic of an 8N1 character)
    assert (two.low_us, two.high_us) == pytest.approx((8.75, 5.0))


def test_a_byte_with_two_pulses_is_refused() -> None:
    """A5h would be several slots."""
    with pytest.raises(ValueError, match="more than one low pulse"):
        Frame(byte=0xA5, baud=115200)


# Echo of F0h at 9600 baud by presence pulse (arithmetic of an 8N1 character): how it must be judged.
ECHOES_9600_F0 = [
    (0xF0, Presence.ABSENT),
    (0xE0, Presence.SEEN),
    (0xC0, Presence.SEEN),
    (0x90, Presence.SEEN),
    (0x80, Presence.SEEN),
    (0xD0, Presence.SEEN),
    (0x00, Presence.SHORTED),
    (0x10, Presence.LONG),
    (0x30, Presence.LONG),
    (0x70, Presence.LONG),
    (0xB0, Presence.LATE),
    (0xA0, Presence.UNCLEAR),
]


@pytest.mark.parametrize(("echo", "presence"), ECHOES_9600_F0)
def test_reset_echo_at_the_customary_rate(echo: int, presence: Presence) -> None:
    """In-spec echoes are presence; F0h is nobody; the rest says what is wrong."""
    frame = ResetFrame(
        request_baud=9600, frame=Frame(byte=0xF0, baud=9600), room_us=-1, reason=""
    )
    assert frame.read(echo).presence is presence


def test_reset_pulse_that_does_not_come_back() -> None:
    """A one among the host's own zeros means that the line was not pulled low."""
    frame = choose_reset(GRIDS["exact"])
    with pytest.raises(ValueError, match="sent F8h, got FFh"):
        frame.read(0xFF)


@pytest.mark.parametrize("kind", sorted(GRIDS))
def test_default_slots_keep_every_limit(kind: str) -> None:
    """At the achieved rate and the worst clock, each limit keeps 1 % (S1, S3, S4, S6)."""
    grid = GRIDS[kind]
    slots = choose_slots(grid)
    for error in (-grid.tolerance_ppm, 0.0, grid.tolerance_ppm):
        baud = grid.achieved(slots.request_baud) * (1 + error * 1e-6)
        one, zero = (
            Frame(byte=0xFF, baud=baud),
            Frame(byte=slots.write_0_byte, baud=baud),
        )
        margins = slot_margins(one, zero)
        assert min(margins.values()) >= 0.0099, margins
        # common practice: write-1 low 1..15, write-0 low 60..120 then 5 high, slot >= 65
        assert 1 <= one.low_us <= 15
        assert 60 <= zero.low_us <= 120
        assert zero.high_us >= 5
        assert one.length_us >= 65


def test_default_slots_beat_the_customary_rate() -> None:
    """With a free clock grid the slot is about 70 us, against 86.8 us at 115200."""
    for kind in ("fractional-divider", "integer-divider", "prescaled-divider"):
        assert choose_slots(GRIDS[kind]).slot_us == pytest.approx(70.0, abs=0.05)
    assert choose_slots(GRIDS["unknown"]).slot_us == pytest.approx(86.8, abs=0.05)
    assert choose_slots(GRIDS["rate-table"]).request_baud == 128_000


def _first_sample_hits(
    frame: Frame, wait_us: float, low_us: float, late: float
) -> bool:
    first = (frame.zeros + 1.5 + late / OVERSAMPLING) * frame.bit_us - frame.low_us
    return wait_us <= first <= wait_us + low_us


@pytest.mark.parametrize("kind", sorted(set(GRIDS) - {"unknown", "rate-table"}))
def test_default_reset_misses_no_presence_pulse(kind: str) -> None:
    """Any wait of 15..60 us with any width of 60..240 us meets the first sample.

    Limits: data sheet of the family-2Dh EEPROM, p. 2-3 (S1). The receiver's grid may
    make the sample up to 1/16 bit later.
    """
    frame = choose_reset(GRIDS[kind]).frame
    assert 480 <= frame.low_us <= 640
    assert frame.high_us >= 480
    for wait_us in range(15, 61):
        for low_us in (60, 61, 90, 240):
            for late in (0.0, 0.5, 1.0):
                assert _first_sample_hits(frame, wait_us, low_us, late)


def test_customary_reset_does_miss_some() -> None:
    """9600 baud with F0h samples at 52 and 156 us: 60..120 us is missed (arithmetic of an 8N1 character)."""
    frame = Frame(byte=0xF0, baud=9600)
    samples = [first for first, _ in frame.samples_after_release_us()]
    assert samples == pytest.approx([52.08, 156.25, 260.42, 364.58], abs=0.01)
    assert not any(60 <= sample <= 120 for sample in samples)


def test_rate_table_says_that_it_cannot_be_certain() -> None:
    """Where only 7200 baud is to be had, the frame says what it cannot promise."""
    frame = choose_reset(GRIDS["rate-table"])
    assert not frame.certain
    assert "could be missed" in frame.reason


def test_margin_of_a_limit() -> None:
    """Margins are relative to the nearer limit, negative outside."""
    assert STANDARD.write_0_low.margin(63.0) == pytest.approx(0.05)
    assert STANDARD.write_0_low.margin(58.59) < 0
    assert OVERDRIVE.read_sample.margin(1.5) == pytest.approx(0.25)
