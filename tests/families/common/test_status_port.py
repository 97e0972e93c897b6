"""Ports whose status proves itself: what their bytes mean."""

from __future__ import annotations

import pytest

from harness.errors import AnswerImpossible, DeviceAbsent
from harness.families.command import Span
from harness.families.common.status_port import nibbles, status_commands


def test_a_status_in_words() -> None:
    """Of several the last counts; 2Dh: pins high, latch A 0, B 1 (part DS2413 p. 6)."""
    (status,) = status_commands(0x5A, "data sheet")[0].parts
    assert isinstance(status, Span)
    assert status.words is not None
    said = status.words(b"\xf0\xf0\x2d")
    assert said == "A: latch 0, pin 1, B: latch 1, pin 1"


def test_halves_that_prove_each_other() -> None:
    """2Dh: levels 3, latches 2; no other high half goes with it, and FFh is nobody."""
    state = nibbles(0x2D)
    assert (state.levels, state.latches) == (3, 2)
    for high in set(range(16)) - {0x2}:
        with pytest.raises(AnswerImpossible):
            nibbles(high << 4 | 0xD)
    with pytest.raises(DeviceAbsent):
        nibbles(0xFF)
