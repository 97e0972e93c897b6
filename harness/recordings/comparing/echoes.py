"""Each echo held against what the line did in the middle of each of its bits.

A receiver samples bit i at (i + 1.5) bits after the falling edge that begins the
character, to a sixteenth of a bit (it looks for the edge sixteen times a bit). Where the
line changes nearer to a sample than that, than the clocks' tolerance and than the
recording's own doubt, or is between the receiver's levels, either value is right.

Every character has one fate: its echo agrees, disagrees or cannot be determined, or it is not
compared for a reason that is named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from harness.recordings.comparing.alignment import distance, recorded_resets
from harness.recordings.comparing.bursts import (
    Character,
    Characters,
    SeenBurst,
    frames_of,
)
from harness.recordings.comparing.held import HeldCharacter, HeldCharacters
from harness.recordings.comparing.receiver import ReceiverView
from harness.recordings.comparing.stretch import Stretch

CLOCK_PPM = 2_000.0
"""Tolerance between the clocks of adapter and recorder: the 0.2 % of a ceramic resonator
on the worse of them (common practice, no source)."""

_OVERSAMPLING = 16
_EARLY = 0.5
"""A character begins no earlier than half a bit before the one before it is over."""

_EPSILON_US = 1e-6
"""Less than a tick of any recorder: a character that begins there begins from here on."""

_MOST_WRONG = 100

_MOST_OFF = 16
"""How many falling edges the line may have more or fewer ahead of the first reset than the
echoes of the characters there: two characters' worth of an echo that is wrong in each bit."""


class LeftOut(StrEnum):
    """Why a character is not compared."""

    UNPAIRED = "the burst came back with more or fewer echoes than characters"
    NOT_RECORDED = "the recording does not show the reset with which they belong"
    AHEAD = (
        "the edges of the recording ahead of the run's first reset are not those of the "
        "characters there"
    )
    CUT = "the recording ends before them"
    MISSING = "the line shows too few falling edges behind their reset"


@dataclass(slots=True, kw_only=True)
class EchoComparison:
    """What came of holding a run's echoes against a recording.

    Attributes:
        characters: characters of the run.
        agree: echoes that are what the line did.
        undetermined: echoes that differ from it only in bits that are open.
        disagree: echoes that differ in others.
        left_out: how many characters are not compared, and why.
        open_bits: bits of echoes whose sample lies too near to an edge to tell, or where
            the line is between the receiver's levels.
        wrong: the first disagreements, and frames whose characters are missing.
        wrong_count: all of them.
        frames: frames of the run.
        frames_found: of these, the ones in the recording.
        held: each character that was found.
        presence_us: wait and end of the presence pulse behind each reset that was
            found, by number of its burst.
    """

    characters: int = 0
    agree: int = 0
    undetermined: int = 0
    disagree: int = 0
    left_out: Counter[LeftOut] = field(default_factory=Counter)
    open_bits: int = 0
    wrong: list[tuple[float, str]] = field(default_factory=list)
    wrong_count: int = 0
    frames: int = 0
    frames_found: int = 0
    held: HeldCharacters = field(default_factory=HeldCharacters)
    presence_us: list[tuple[int, float, float]] = field(default_factory=list)

    @property
    def compared(self) -> int:
        """Characters whose echo was held against the line."""
        return self.agree + self.undetermined + self.disagree


def compare_echoes(view: ReceiverView, bursts: Sequence[SeenBurst]) -> EchoComparison:
    """Find the run in the recording and hold every echo against the line.

    Args:
        view: the recording's lows, and their doubt.
        bursts: what the run sent and heard, in order.
    """
    starts_us, ends_us = view.starts_us, view.ends_us
    characters = Characters(bursts)
    frames = frames_of(characters)
    resets = recorded_resets(starts_us, ends_us)
    result = EchoComparison(characters=len(characters), frames=len(frames))
    first = None
    if len(resets) and frames:
        first = distance(starts_us, ends_us, resets, characters, frames)
    if first is None:
        return result
    _compare_ahead(view, resets, first, characters.part(0, frames[0]), result)
    beyond = np.append(resets[1:], len(starts_us))
    ends = [*frames[1:], len(characters)]
    for number, (begin, end) in enumerate(zip(frames, ends, strict=True)):
        index = number + first
        if not 0 <= index < len(resets):
            result.left_out[LeftOut.NOT_RECORDED] += end - begin
            continue
        line = Stretch(view, int(resets[index]), int(beyond[index]))
        result.frames_found += 1
        is_last = index == len(resets) - 1
        _compare_frame(
            line, characters.part(begin, end), number, result, is_last=is_last
        )
    return result


def _compare_ahead(
    view: ReceiverView,
    resets: NDArray[np.int64],
    first: int,
    characters: Sequence[Character],
    result: EchoComparison,
) -> None:
    """Characters ahead of the run's first reset: they end where it begins.

    The recording may show more ahead of them, so their position is counted from their end.
    """
    if not characters:
        return
    if not 0 <= first < len(resets):
        result.left_out[LeftOut.NOT_RECORDED] += len(characters)
        return
    line = Stretch(view, int(resets[first - 1]) if first else 0, int(resets[first]))
    likely = len(line.starts) - sum(map(_falls, characters))
    for off in sorted(range(-_MOST_OFF, _MOST_OFF + 1), key=abs):
        begin = likely + off
        if not 0 <= begin < len(line.starts):
            continue
        indices, over_us = _indices(line, characters, line.starts[begin] - _EPSILON_US)
        if len(indices) == len(characters) and line.starts[-1] <= over_us:
            for found, index in zip(characters, indices, strict=True):
                _take(line, found, index, -1, result)
            return
    result.left_out[LeftOut.AHEAD] += len(characters)


def _falls(found: Character) -> int:
    """Falling edges of a character as it was heard; as it was sent where it was not."""
    bits = (found.sent if found.heard < 0 else found.heard) << 1
    return (~bits & (bits << 1 | 1) & 0x1FF).bit_count()


def _indices(
    line: Stretch, characters: Sequence[Character], from_us: float
) -> tuple[list[int | None], float]:
    """With which low each character begins, as far as there are lows; when they are over.

    None for one that is not paired with an echo behind others of its burst: the line was
    low when it began, so no edge shows where; its burst goes on.
    """
    indices: list[int | None] = []
    free_us = from_us
    for found in characters:
        if found.heard < 0 and not found.first:
            free_us += found.length_us
            indices.append(None)
            continue
        index = line.next_fall(free_us, found.bit_us)
        if index is None:
            break
        free_us = line.starts[index] + found.length_us - _EARLY * found.bit_us
        indices.append(index)
    return indices, free_us


def _compare_frame(
    line: Stretch,
    characters: Sequence[Character],
    number: int,
    result: EchoComparison,
    *,
    is_last: bool,
) -> None:
    indices, _ = _indices(line, characters, -np.inf)
    for found, index in zip(characters, indices, strict=False):
        _take(line, found, index, number, result)
    missing = len(characters) - len(indices)
    if missing and is_last:
        result.left_out[LeftOut.CUT] += missing
    elif missing:
        result.left_out[LeftOut.MISSING] += missing
        what = f"{missing} characters of the run are missing behind this reset"
        _note(result, line.starts[0] * 1e-6, what)


def _take(
    line: Stretch,
    found: Character,
    index: int | None,
    frame: int,
    result: EchoComparison,
) -> None:
    """Hold one character against the low with which it begins."""
    if index is None:
        result.left_out[LeftOut.UNPAIRED] += 1
        return
    start, end = line.starts[index], line.ends[index]
    _compare_character(line, found, start, result)
    result.held.append(
        HeldCharacter(
            burst=found.burst,
            frame=frame,
            sent=found.sent,
            own_low_us=found.own_low_us,
            start_s=start * 1e-6,
            low_us=end - start,
        )
    )
    if found.is_reset and index + 1 < len(line.starts):
        wait, over = line.starts[index + 1] - end, line.ends[index + 1] - end
        result.presence_us.append((found.burst, wait, over))


def _compare_character(
    line: Stretch, found: Character, start_us: float, result: EchoComparison
) -> None:
    shown, open_ = 0, 0
    for bit in range(8):
        at_us = start_us + (bit + 1.5) * found.bit_us
        shown |= line.level(at_us) << bit
        near_us = line.doubt_us + found.bit_us / _OVERSAMPLING
        near_us += (at_us - start_us) * CLOCK_PPM * 1e-6
        open_ |= line.is_open(at_us, near_us) << bit
    result.open_bits += open_.bit_count()
    if found.heard < 0:
        result.left_out[LeftOut.UNPAIRED] += 1
    elif shown == found.heard:
        result.agree += 1
    elif not (shown ^ found.heard) & ~open_:
        result.undetermined += 1
    else:
        result.disagree += 1
        what = (
            f"sent {found.sent:02X}h: the echo is {found.heard:02X}h, the line shows "
            f"{shown:02X}h"
        )
        _note(result, start_us * 1e-6, what)


def _note(result: EchoComparison, at_s: float, what: str) -> None:
    result.wrong_count += 1
    if len(result.wrong) < _MOST_WRONG:
        result.wrong.append((at_s, what))
