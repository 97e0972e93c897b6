"""Ones and zeros of a frame, parted where this host and these devices leave a gap."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.recordings.decoding.parting import ones, part
from harness.recordings.decoding.rules import OVERDRIVE_RULES, STANDARD_RULES, SlotRules


def _bits(length_us: list[float], rules: SlotRules) -> list[bool]:
    length = np.array(length_us)
    frame_of = np.zeros(len(length), np.int64)
    return [
        bool(one)
        for one in ones(length, np.ones(len(length), np.bool_), frame_of, rules)
    ]


@settings(derandomize=True, deadline=None)
@given(
    rules=st.sampled_from([(STANDARD_RULES, 15.0, 60.0), (OVERDRIVE_RULES, 2.0, 6.0)]),
    one=st.floats(0.1, 0.69),
    spread=st.floats(1.0, 1.15),
    hold=st.floats(1.0, 2.0),
    bits=st.lists(st.sampled_from("rwh"), min_size=1, max_size=40),
)
def test_any_legal_host_and_device(
    *,
    rules: tuple[SlotRules, float, float],
    one: float,
    spread: float,
    hold: float,
    bits: list[str],
) -> None:
    """A one of up to four fifths of the limit, a zero hold from the limit on.

    Published: write-1 low 1 to 15 us, zero hold 15 to 60 us (data sheet, memory button,
    part DS1996, p. 13-18). ``one``, ``spread`` and ``hold`` are shares of the limit.
    """
    borders, limit_us, write_0_us = rules
    kinds = {
        "r": limit_us * one,
        "w": limit_us * one * spread,
        "h": limit_us * hold,
        "0": write_0_us,
    }
    order = ["r", "0", *bits]  # a ROM command has ones and zeros
    assert _bits([kinds[each] for each in order], borders) == [
        each in "rw" for each in order
    ]


def test_a_device_that_lets_go_early_and_one_that_does_not() -> None:
    """Zeros of 15.5, 19.4 and 35 us beside ones of 6 us."""
    lows = [6.0, 60.0, 15.5, 6.5, 19.4, 35.0, 6.0]
    assert _bits(lows, STANDARD_RULES) == [True, False, False, True, False, False, True]


def test_a_host_whose_ones_are_all_too_long() -> None:
    """Ones of 18 us break the limit; zeros of 60 us beside them show what they are."""
    assert _bits([18.0, 60.0, 18.5, 60.0], STANDARD_RULES) == [True, False, True, False]


def test_frames_have_borders_of_their_own() -> None:
    """Ones of 14 us in one frame, zeros of 16 us in the next."""
    length = np.array([14.0, 6.0, 60.0, 6.0, 16.0, 60.0])
    frame_of = np.array([0, 0, 0, 1, 1, 1])
    slots = np.ones(6, np.bool_)
    found = ones(length, slots, frame_of, STANDARD_RULES)
    assert found.tolist() == [True, True, False, True, False, False]


def test_ones_of_the_limit_as_a_recorder_rounds_them() -> None:
    """A write-1 low of 1.8 us shows as 1.75 and 2 us, beside zeros of device and host."""
    lows = np.array([1.0, 1.25, 1.75, 2.0, 3.5, 3.75, 9.5, 9.25])
    frame_of = np.zeros(len(lows), np.int64)
    slots = np.ones(len(lows), np.bool_)
    parted = part(lows, slots, frame_of, OVERDRIVE_RULES, 0.25)
    assert parted.ones.tolist() == [True] * 4 + [False] * 4
    assert not parted.unclear.any()
