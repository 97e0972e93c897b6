"""The value changes of a Value Change Dump, a block of bytes at a time.

The block is taken apart by array operations, not word by word: some millions of
changes a second. Source of the grammar: IEEE Std 1364-2005, 18.2.1 and 18.2.3.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.recordings.reading.chunks import HIGH, LOW, UNKNOWN, Ticks

LARGEST_TICK = 2**63 - 1

_OTHER, _SCALAR, _MULTI, _TIME, _KEYWORD = range(5)
_KIND = np.zeros(256, np.uint8)
_KIND[list(b"01xXzZuUwWlLhH-")] = _SCALAR
_KIND[list(b"bBrRsS")] = _MULTI
_KIND[ord("#")] = _TIME
_KIND[ord("$")] = _KEYWORD

# A released line is high on this bus: z counts as high. Unknown stays unknown. The
# letters of nine-valued logic (IEEE Std 1164) are met in dumps of other simulators.
_LEVEL = np.full(256, UNKNOWN, np.int8)
_LEVEL[list(b"0lL")] = LOW
_LEVEL[list(b"1hHzZ")] = HIGH
_EXTENDED = np.arange(256, dtype=np.uint8)
_EXTENDED[ord("1")] = ord("0")

_KEYWORDS = frozenset({b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff", b"$end"})
_COMMENT = re.compile(rb"\$(?:comment|vcdclose)\s.*?\$end(?!\S)", re.DOTALL)
_KEPT_WHITE = re.compile(rb"[^\n]")


class BadToken(Exception):
    """A word of the block that cannot stand there: its offset and what is wrong."""

    def __init__(self, offset: int, what: str) -> None:
        super().__init__(what)
        self.offset = offset
        self.what = what


@dataclass(frozen=True, slots=True, kw_only=True)
class VcdTarget:
    """Which changes are wanted: a code, and a bit counted from the right.

    Attributes:
        code: identifier code.
        bit: position of the bit in a vector, from the right.
        is_real: True for a real variable.
    """

    code: bytes
    bit: int = 0
    is_real: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockChanges:
    """Changes of one variable in a block; ``volts`` of a real one, else ``levels``."""

    times: Ticks
    levels: NDArray[np.int8]
    volts: NDArray[np.float64]
    last_time: int


def without_comments(block: bytes) -> bytes:
    """The block with comments blanked; lines and columns stay as they are."""
    if b"$comment" not in block and b"$vcdclose" not in block:
        return block
    return _COMMENT.sub(lambda m: _KEPT_WHITE.sub(b" ", m[0]), block)


@dataclass(slots=True)
class _Words:
    """The words of a block: where they begin and end, and what kind they are."""

    data: NDArray[np.uint8]
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    first: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    is_code: NDArray[np.bool_] | None

    def text(self, index: int) -> bytes:
        return self.data[self.starts[index] : self.ends[index]].tobytes()


def _split(block: bytes) -> _Words:
    data = np.frombuffer(block, np.uint8)
    white = np.concatenate(([True], data <= 32, [True]))
    turns = np.flatnonzero(white[1:] != white[:-1])
    starts, ends = turns[0::2], turns[1::2]
    first = data[starts]
    kind = _KIND[first]
    is_code = None
    if (kind == _MULTI).any():
        is_code = _codes(kind)
    return _Words(data, starts, ends, first, kind, is_code)


def _codes(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which words are the code that follows a vector or real value.

    A code may begin with any character, with ``b`` or ``#`` too: in a run of words that
    look like values every second one is a code.
    """
    multi = kind == _MULTI
    index = np.arange(len(kind))
    before_run = np.maximum.accumulate(np.where(multi, -1, index))
    is_value = multi & ((index - before_run) % 2 == 1)
    is_code = np.zeros(len(kind), np.bool_)
    is_code[1:] = is_value[:-1]
    kind[is_code] = _OTHER
    return is_code


def _require_known(words: _Words) -> None:
    stray = words.kind == _OTHER
    if words.is_code is not None:
        stray &= ~words.is_code
    if stray.any():
        index = int(np.flatnonzero(stray)[0])
        text = words.text(index)[:20].decode("latin-1")
        raise BadToken(
            int(words.starts[index]),
            f"expected a time such as #100 or a change such as 1!, got {text!r}",
        )
    for keyword in np.flatnonzero(words.kind == _KEYWORD).tolist():
        if words.text(keyword) not in _KEYWORDS:
            text = words.text(keyword)[:20].decode("latin-1")
            raise BadToken(
                int(words.starts[keyword]),
                f"expected a value change or $dumpvars, $dumpoff, $dumpon, got {text!r}",
            )


def _times(words: _Words, index: NDArray[np.int64], before: int) -> Ticks:
    """The times of the words that are times.

    Raises:
        BadToken: not a whole number, beyond 63 bits, or before the time ahead of it.
    """
    ends = words.ends[index]
    lengths = ends - words.starts[index] - 1
    value = np.zeros(len(index), np.uint64)
    if not len(index):
        return value.astype(np.int64)
    _refuse(words, index, lengths == 0, "expected a whole number after #")
    _refuse(words, index, lengths > 19, _too_large())
    scale = np.uint64(1)
    for power in range(int(lengths.max())):
        digit = words.data[ends - 1 - power] - np.uint8(48)
        here = lengths > power
        _refuse(words, index, here & (digit > 9), "expected a whole number after #")
        value += np.where(here, digit, 0).astype(np.uint64) * scale
        scale *= np.uint64(10)
    _refuse(words, index, value > LARGEST_TICK, _too_large())
    times = value.astype(np.int64)
    back = np.empty(len(times), np.bool_)
    back[0] = times[0] < before
    np.less(times[1:], times[:-1], out=back[1:])
    if back.any():
        at = int(np.flatnonzero(back)[0])
        earlier = int(times[at - 1]) if at else before
        raise BadToken(
            int(words.starts[index[at]]),
            f"time goes backwards: {int(times[at])} after {earlier}",
        )
    return times


def _too_large() -> str:
    return f"the time is beyond {LARGEST_TICK} ticks (63 bits)"


def _refuse(
    words: _Words, index: NDArray[np.int64], bad: NDArray[np.bool_], what: str
) -> None:
    if bad.any():
        raise BadToken(int(words.starts[index[int(np.flatnonzero(bad)[0])]]), what)


def _matches(
    words: _Words, index: NDArray[np.int64], code: bytes, skip: int
) -> NDArray[np.bool_]:
    """Which of the words are ``code`` after ``skip`` characters."""
    starts = words.starts[index] + skip
    same = np.asarray(words.ends[index] - starts == len(code), np.bool_)
    last = len(words.data) - 1
    for offset, char in enumerate(code):
        same &= words.data[np.minimum(starts + offset, last)] == char
    return same


def _chars(words: _Words, value: NDArray[np.int64], bit: int) -> NDArray[np.uint8]:
    """The character of a bit in vector values, extended to the left (18.2.1)."""
    begins = words.starts[value] + 1
    at = words.ends[value] - 1 - bit
    inside = at >= begins
    left = words.data[np.minimum(begins, len(words.data) - 1)]
    return np.where(inside, words.data[np.maximum(at, begins - 1)], _EXTENDED[left])


def parse_block(block: bytes, target: VcdTarget, before: int) -> BlockChanges:
    """The changes of one variable.

    Args:
        block: whole words, comments blanked; a time word begins it or ``before`` holds.
        target: which variable.
        before: last time ahead of the block, in ticks.

    Raises:
        BadToken: with the offset in the block.
    """
    words = _split(block)
    _require_known(words)
    is_time = words.kind == _TIME
    time_index = np.flatnonzero(is_time)
    times = np.concatenate(([before], _times(words, time_index, before)))
    scalar = np.flatnonzero(words.kind == _SCALAR)
    scalar = scalar[_matches(words, scalar, target.code, 1)]
    chosen, levels = scalar, _LEVEL[words.first[scalar]]
    volts = np.empty(0)
    if words.is_code is not None:
        value = np.flatnonzero(words.is_code) - 1
        value = value[_matches(words, value + 1, target.code, 0)]
        if target.is_real:
            chosen, volts = value, _reals(words, value)
        elif len(value):
            found = _LEVEL[_chars(words, value, target.bit)]
            chosen = np.concatenate((scalar, value))
            levels = np.concatenate((levels, found))
            order = np.argsort(chosen, kind="stable")
            chosen, levels = chosen[order], levels[order]
    position = np.cumsum(is_time)[chosen]
    return BlockChanges(
        times=times[position], levels=levels, volts=volts, last_time=int(times[-1])
    )


def _reals(words: _Words, value: NDArray[np.int64]) -> NDArray[np.float64]:
    texts = [words.text(int(index))[1:] for index in value]
    try:
        return np.array([float(text) for text in texts], np.float64)
    except ValueError:
        for index, text in zip(value, texts, strict=True):
            try:
                float(text)
            except ValueError:
                shown = text[:20].decode("latin-1")
                raise BadToken(
                    int(words.starts[index]), f"expected a number, got {shown!r}"
                ) from None
        raise
