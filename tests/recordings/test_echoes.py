"""Echoes against lines that are made here, edge by edge: each character has one fate."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.recordings.comparing.bursts import SeenBurst
from harness.recordings.comparing.echoes import (
    EchoComparison,
    LeftOut,
    compare_echoes,
)
from harness.recordings.comparing.receiver import ReceiverView
from harness.recordings.reading.window import WindowWatch

BIT_US = 7.0
RESET_BIT_US = 1e6 / 9600
CHARACTER_US = 10 * BIT_US


class Line:
    """A line that characters are put on, each heard as it was sent."""

    def __init__(self) -> None:
        self.at_us = 1000.0
        self.lows: list[tuple[float, float]] = []
        self.between: list[tuple[float, float]] = []
        self.bursts: list[SeenBurst] = []

    def send(self, sent: bytes, *, bit_us: float = BIT_US) -> None:
        """One burst, each character behind the other."""
        for byte in sent:
            bits = [0, *(byte >> place & 1 for place in range(8))]
            begins = [
                n for n in range(9) if not bits[n] and not (n and not bits[n - 1])
            ]
            for begin in begins:
                until = next((n for n in range(begin, 9) if bits[n]), 9)
                low = (self.at_us + begin * bit_us, self.at_us + until * bit_us)
                self.lows.append(low)
            self.at_us += 10 * bit_us
        burst = SeenBurst(number=len(self.bursts), sent=sent, heard=sent, bit_us=bit_us)
        self.bursts.append(burst)
        self.at_us += 200.0

    def frame(self, choice: random.Random, count: int = 24) -> None:
        """A reset and slots drawn at random."""
        self.send(b"\xf0", bit_us=RESET_BIT_US)
        self.send(bytes(choice.choice([0x00, 0xFF]) for _ in range(count)))

    def hear(self, burst: int, place: int, echo: int) -> None:
        """Let one character have been heard otherwise."""
        before = self.bursts[burst]
        heard = bytearray(before.heard)
        heard[place] = echo
        self.bursts[burst] = SeenBurst(
            number=burst, sent=before.sent, heard=bytes(heard), bit_us=before.bit_us
        )

    def compared(self, begin: int = 0, beyond: int | None = None) -> EchoComparison:
        """Held against the lows from one to another."""
        starts, ends = np.array(self.lows[begin:beyond]).T
        between = np.array(sorted(self.between)).reshape(-1, 2).T
        view = ReceiverView(
            starts_us=starts,
            ends_us=ends,
            doubt_us=0.1,
            between_us=(between[0], between[1]),
        )
        found = compare_echoes(view, self.bursts)
        if found.frames_found:
            assert found.compared + found.left_out.total() == found.characters
        return found


def of_frames(count: int, ahead: bytes = b"") -> Line:
    """A line with frames, and characters ahead of the first one."""
    line, choice = Line(), random.Random(count)
    if ahead:
        line.send(ahead)
    for _ in range(count):
        line.frame(choice)
    return line


@pytest.mark.parametrize("heard", [0x00, 0x80])
def test_a_high_between_the_receivers_levels_cannot_be_told(heard: int) -> None:
    """The line rises to 1.57 V ahead of the next low: two lows for the host, one recorded.

    What the receiver took it for is open; the characters behind it are found all the same.
    """
    line = of_frames(1)
    line.send(b"\xf0", bit_us=RESET_BIT_US)
    place = len(line.lows) + 1
    line.send(b"\x00" * 3 + b"\xff" + b"\x00" * 12)
    # the second is held beyond the sample of its last bit, and the third follows at once
    (begin, _), (following, end) = line.lows[place : place + 2]
    line.lows[place : place + 2] = [(begin, end)]
    line.between.append((following - 1.6 * BIT_US, following))
    line.hear(3, 1, heard)
    found = line.compared()
    assert (found.wrong, found.left_out) == ([], {})
    assert found.undetermined == (heard == 0x00)
    # a bit that is clearly low stays wrong
    line.hear(3, 1, 0x40)
    assert line.compared().disagree == 1


def test_a_sample_between_the_levels_is_open_and_others_are_not() -> None:
    """A slow edge holds one bit open; another bit of the same echo that differs is wrong."""
    line = of_frames(2)
    slot = next(n for n, burst in enumerate(line.bursts[1].sent) if burst == 0xFF)
    start_us = line.lows[2 + slot - 1][0]
    assert line.lows[2 + slot - 1][1] - start_us == pytest.approx(BIT_US)
    line.between.append((start_us + BIT_US, start_us + 1.6 * BIT_US))
    line.hear(1, slot, 0xFE)
    found = line.compared()
    assert (found.undetermined, found.disagree) == (1, 0)
    line.hear(1, slot, 0xFC)
    found = line.compared()
    assert (found.undetermined, found.disagree) == (0, 1)
    assert "the echo is FCh, the line shows FFh" in found.wrong[0][1]


AHEAD = bytes([0xFF, 0xFF, 0x55, 0x00, 0xA3] * 4)


@pytest.mark.parametrize("strangers", [0, 3])
def test_characters_ahead_of_the_first_reset_are_compared(strangers: int) -> None:
    """Whatever the recording shows ahead of them; a wrong echo is found there too."""
    line = of_frames(3, ahead=AHEAD)
    line.lows[:0] = [(100.0 * n, 100.0 * n + 5) for n in range(strangers)]
    found = line.compared()
    assert found.compared == found.agree == found.characters
    line.hear(0, 7, 0x54)
    found = line.compared()
    assert found.disagree == 1
    assert "sent 55h: the echo is 54h" in found.wrong[0][1]


def test_characters_ahead_that_are_not_found_are_listed() -> None:
    """Their edges are not those of the recording: they are counted, with the reason."""
    line = of_frames(3, ahead=AHEAD)
    del line.lows[5:30]
    found = line.compared()
    assert found.left_out == {LeftOut.AHEAD: len(AHEAD)}
    assert found.wrong_count == 0


@settings(max_examples=40, deadline=None)
@given(begin=st.integers(0, 120), beyond=st.integers(130, 220))
def test_each_character_has_one_fate_wherever_the_recording_is_cut(
    begin: int, beyond: int
) -> None:
    """Compared, or left out for a reason: the numbers add up, and nothing is wrong."""
    line = of_frames(8, ahead=AHEAD)
    found = line.compared(begin, beyond)
    assert found.wrong_count == 0
    assert found.agree == found.compared
    assert LeftOut.MISSING not in found.left_out


def test_edges_that_are_lost_between_two_resets_are_told() -> None:
    """Characters whose edges are missing between two resets are told as such."""
    line = of_frames(4)
    del line.lows[45:50]
    found = line.compared()
    assert found.wrong_count == 1
    assert found.left_out == {LeftOut.MISSING: 5}
    assert "5 characters of the run are missing" in found.wrong[0][1]


@given(
    volts=st.lists(st.sampled_from([0.2, 0.8, 1.0, 1.9, 2.0, 4.5, float("nan")])),
    cuts=st.sets(st.integers(1, 30)),
)
def test_stretches_do_not_depend_on_where_blocks_end(
    volts: list[float], cuts: set[int]
) -> None:
    """From the first sample between 0.8 and 2.0 V to the first that is not."""
    times = np.arange(len(volts)) * 3 + 7
    watch, found = WindowWatch(0.8, 2.0), list[tuple[int, int]]()
    edges = [0, *sorted(c for c in cuts if c < len(volts)), len(volts)]
    for begin, end in pairwise(edges):
        spans = watch.feed(times[begin:end], np.array(volts[begin:end], np.float64))
        found += zip(spans.begins.tolist(), spans.ends.tolist(), strict=True)
    wanted, since = [], None
    for at, value in zip(times.tolist(), volts, strict=True):
        inside = value in {1.0, 1.9}
        if inside and since is None:
            since = at
        elif not inside and since is not None:
            wanted.append((since, at))
            since = None
    assert found == wanted
