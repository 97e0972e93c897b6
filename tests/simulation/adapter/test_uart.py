"""The receiver: grid, votes, glitches, framing errors, breaks."""

from __future__ import annotations

import pytest

from harness.simulation.adapter.uart import Framing, Receiver

BIT_US = 16.0
"""A tick of 1 us at 16-fold oversampling."""


def receiver(*, oversampling: int = 16, phase: float = 0.0) -> Receiver:
    """A receiver at 62500 baud."""
    return Receiver(
        framing=Framing(bit_us=BIT_US), oversampling=oversampling, phase=phase
    )


def lows(hears: Receiver, *pulses_us: tuple[float, float]) -> Receiver:
    """The line is low from, to."""
    for start_us, end_us in pulses_us:
        hears.edge(start_us, False)
        hears.edge(end_us, True)
    return hears


def bytes_of(hears: Receiver, until_us: float = 1e6) -> list[tuple[int, bool]]:
    """Bytes and framing errors."""
    return [(h.byte, h.framing_error) for h in hears.collect(until_us)]


@pytest.mark.parametrize(
    ("byte", "low_bits"),
    [(0xFF, 1), (0xFE, 2), (0xFC, 3), (0xF0, 5), (0xC0, 7), (0x80, 8), (0x00, 9)],
)
def test_transmitted_low_is_one_bit_longer_than_its_zeros(
    byte: int, low_bits: int
) -> None:
    """Arithmetic of an 8N1 character: n trailing zero bits give a low of n + 1 bits."""
    changes = Framing(bit_us=BIT_US).transitions(byte)
    assert changes == [(0.0, 0), (low_bits * BIT_US, 1)]


def test_what_is_sent_is_received() -> None:
    """Every byte comes back as itself, at any grid phase and oversampling."""
    framing = Framing(bit_us=BIT_US)
    for oversampling in (8, 16):
        for byte in range(256):
            hears = receiver(oversampling=oversampling, phase=byte / 256)
            for at_us, level in framing.transitions(byte):
                hears.edge(at_us, level == 1)
            assert bytes_of(hears) == [(byte, False)]


def test_short_low_is_no_start_bit() -> None:
    """A low of less than half a bit vanishes (data sheet ATmega164A..1284P, 19.9)."""
    assert bytes_of(lows(receiver(), (1.0, 8.5))) == []
    assert bytes_of(lows(receiver(), (1.0, 9.5))) == [(0xFF, False)]


def test_low_between_two_ticks_is_not_seen() -> None:
    """A pulse that is over before the next tick of the grid was never there."""
    hears = lows(receiver(), (1.1, 1.9), (40.0, 60.0))
    assert bytes_of(hears) == [(0xFF, False)]


@pytest.mark.parametrize(("rise_us", "byte"), [(23.9, 0xFF), (24.1, 0xFE)])
def test_middle_of_three_samples_decides(rise_us: float, byte: int) -> None:
    """Bit 0 is decided 1.5 bits after the edge: 24 ticks, give or take one."""
    assert bytes_of(lows(receiver(), (0.0, rise_us))) == [(byte, False)]


@pytest.mark.parametrize(("phase", "byte"), [(0.1, 0xFE), (0.9, 0xFF)])
def test_grid_makes_samples_late(phase: float, byte: int) -> None:
    """The edge is found up to one tick late, and every sample moves with it."""
    assert bytes_of(lows(receiver(phase=phase), (0.0, 24.5))) == [(byte, False)]


def test_single_spike_is_outvoted() -> None:
    """One of three samples changes nothing."""
    hears = lows(receiver(), (0.0, 16.0), (23.6, 24.4))
    assert bytes_of(hears) == [(0xFF, False)]


def test_low_stop_bit_is_a_framing_error() -> None:
    """The character is delivered all the same."""
    assert bytes_of(lows(receiver(), (0.0, 155.0))) == [(0x00, True)]


def test_break_is_one_zero() -> None:
    """However long the low: one 00h, then nothing until the next falling edge."""
    hears = lows(receiver(), (0.0, 5000.0), (6000.0, 6016.0))
    assert bytes_of(hears) == [(0x00, True), (0xFF, False)]


def test_character_is_complete_after_its_stop_bit() -> None:
    """Nothing is delivered before the vote on the stop bit, 9.5 bits and a tick."""
    hears = lows(receiver(), (0.0, 16.0))
    assert bytes_of(hears, until_us=152.0) == []
    assert bytes_of(hears, until_us=153.5) == [(0xFF, False)]
    assert hears.is_idle


def test_characters_back_to_back() -> None:
    """The next start bit is looked for right after the stop bit's vote."""
    hears = receiver()
    framing = Framing(bit_us=BIT_US)
    for place, byte in enumerate(b"\x00\xff\x55"):
        for at_us, level in framing.transitions(byte):
            hears.edge(place * framing.character_us + at_us, level == 1)
    assert bytes_of(hears) == [(0x00, False), (0xFF, False), (0x55, False)]


def test_edges_survive_a_change_of_origin() -> None:
    """Half a character before, half after the origin has moved."""
    hears = lows(receiver(), (0.0, 40.0))
    assert bytes_of(hears, until_us=80.0) == []
    hears.rebase(80.0)
    assert bytes_of(hears, until_us=80.0) == [(0xFE, False)]
