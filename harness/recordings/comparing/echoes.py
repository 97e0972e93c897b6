"""Each echo held against what the line did in the middle of each of its bits.

A receiver samples bit i at (i + 1.5) bits after the falling edge that begins the
character, to a sixteenth of a bit (it looks for the edge sixteen times a bit). Where the
line changes nearer to a sample than that, than the clocks' tolerance and than the
recording's own doubt, either value is right.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.recordings.comparing.alignment import Times, distance, recorded_resets
from harness.recordings.comparing.bursts import (
    Character,
    SeenBurst,
    characters_of,
    frames_of,
)
from harness.recordings.comparing.receiver import ReceiverView

CLOCK_PPM = 2_000.0
"""Tolerance between the clocks of adapter and recorder: the 0.2 % of a ceramic resonator
on the worse of them (common practice, no source)."""

_OVERSAMPLING = 16
_EARLY = 0.5
"""A character begins no earlier than half a bit before the one before it is over."""

_MOST_WRONG = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldCharacter:
    """A character where it stands in the recording.

    Attributes:
        burst: number of its burst.
        frame: number of its frame among the run's.
        sent: the character.
        own_low_us: how long the host alone held the line.
        start_s: falling edge that begins it, on the recording's clock.
        low_us: how long the line was low from there on.
    """

    burst: int
    frame: int
    sent: int
    own_low_us: float
    start_s: float
    low_us: float


@dataclass(slots=True, kw_only=True)
class EchoComparison:
    """What came of holding a run's echoes against a recording.

    Attributes:
        characters: characters of the run.
        compared: of these, the ones found in the recording.
        agree: echoes that are what the line did.
        uncounted: characters of bursts that have not one echo for each, so that they
            cannot be paired; they are not compared.
        open_bits: bits of echoes whose sample lies too near to an edge to tell.
        wrong: the first disagreements.
        wrong_count: all of them.
        frames: frames of the run.
        frames_found: of these, the ones in the recording.
        held: each character that was found.
        presence_us: wait and end of the presence pulse behind each reset that was
            found, by number of its burst.
    """

    characters: int = 0
    compared: int = 0
    agree: int = 0
    uncounted: int = 0
    open_bits: int = 0
    wrong: list[tuple[float, str]] = field(default_factory=list)
    wrong_count: int = 0
    frames: int = 0
    frames_found: int = 0
    held: list[HeldCharacter] = field(default_factory=list)
    presence_us: list[tuple[int, float, float]] = field(default_factory=list)


def compare_echoes(view: ReceiverView, bursts: Sequence[SeenBurst]) -> EchoComparison:
    """Find the run in the recording and hold every echo against the line.

    Args:
        view: the recording's lows, and their doubt.
        bursts: what the run sent and heard, in order.
    """
    starts_us, ends_us, doubt_us = view.starts_us, view.ends_us, view.doubt_us
    characters = characters_of(bursts)
    frames = frames_of(characters)
    resets = recorded_resets(starts_us, ends_us)
    result = EchoComparison(characters=len(characters), frames=len(frames))
    first = None
    if len(resets) and frames:
        first = distance(starts_us, ends_us, resets, characters, frames)
    if first is None:
        return result
    beyond = np.append(resets[1:], len(starts_us))
    ends = [*frames[1:], len(characters)]
    for number, (begin, end) in enumerate(zip(frames, ends, strict=True)):
        place = number + first
        if not 0 <= place < len(resets):
            continue
        lows = slice(int(resets[place]), int(beyond[place]))
        line = _Line(starts_us[lows], ends_us[lows], doubt_us)
        result.frames_found += 1
        _compare_frame(line, characters[begin:end], number, result)
    return result


class _Line:
    """The lows of one frame."""

    def __init__(self, starts: Times, ends: Times, doubt_us: float) -> None:
        self.starts: list[float] = starts.tolist()
        self.ends: list[float] = ends.tolist()
        self.edges = np.sort(np.concatenate((starts, ends)))
        self.doubt_us = doubt_us

    def next_fall(self, from_us: float) -> int | None:
        place = bisect_right(self.starts, from_us)
        return place if place < len(self.starts) else None

    def level(self, at_us: float) -> int:
        place = bisect_right(self.starts, at_us) - 1
        return 0 if place >= 0 and at_us < self.ends[place] else 1

    def nearest_us(self, at_us: float) -> float:
        place = int(np.searchsorted(self.edges, at_us))
        around: NDArray[np.float64] = self.edges[max(0, place - 1) : place + 1]
        return float(np.abs(around - at_us).min())


def _compare_frame(
    line: _Line, characters: Sequence[Character], number: int, result: EchoComparison
) -> None:
    free_us = -np.inf
    for found in characters:
        if found.heard < 0 and not found.first:
            # the line was low when it began, so no edge shows where; its burst goes on
            free_us += found.length_us
            result.uncounted += 1
            continue
        place = line.next_fall(free_us)
        if place is None:
            result.wrong_count += 1
            at_s = line.starts[0] * 1e-6
            _note(result, at_s, "characters of the run are missing behind this reset")
            return
        start, end = line.starts[place], line.ends[place]
        free_us = start + found.length_us - _EARLY * found.bit_us
        result.compared += 1
        _compare_character(line, found, start, result)
        result.held.append(
            HeldCharacter(
                burst=found.burst,
                frame=number,
                sent=found.sent,
                own_low_us=found.own_low_us,
                start_s=start * 1e-6,
                low_us=end - start,
            )
        )
        if found.is_reset and place + 1 < len(line.starts):
            wait, over = line.starts[place + 1] - end, line.ends[place + 1] - end
            result.presence_us.append((found.burst, wait, over))


def _compare_character(
    line: _Line, found: Character, start_us: float, result: EchoComparison
) -> None:
    shown, open_ = 0, 0
    for bit in range(8):
        at_us = start_us + (bit + 1.5) * found.bit_us
        shown |= line.level(at_us) << bit
        doubt_us = line.doubt_us + found.bit_us / _OVERSAMPLING
        doubt_us += (at_us - start_us) * CLOCK_PPM * 1e-6
        open_ |= (line.nearest_us(at_us) <= doubt_us) << bit
    result.open_bits += open_.bit_count()
    if found.heard < 0:
        result.uncounted += 1
        return
    if (shown ^ found.heard) & ~open_:
        what = (
            f"sent {found.sent:02X}h: the echo is {found.heard:02X}h, the line shows "
            f"{shown:02X}h"
        )
    else:
        result.agree += 1
        return
    result.wrong_count += 1
    _note(result, start_us * 1e-6, what)


def _note(result: EchoComparison, at_s: float, what: str) -> None:
    if len(result.wrong) < _MOST_WRONG:
        result.wrong.append((at_s, what))
