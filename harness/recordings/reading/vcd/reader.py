"""A Value Change Dump as chunks of edges of one channel."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from harness.recordings.problems import RecordingUnreadable, unreadable
from harness.recordings.reading.chunks import LevelChunk
from harness.recordings.reading.hysteresis import Hysteresis
from harness.recordings.reading.intervals import common_interval
from harness.recordings.reading.main_levels import LevelFinder, Thresholds
from harness.recordings.reading.vcd.changes import (
    BadToken,
    BlockChanges,
    VcdTarget,
    parse_block,
    without_comments,
)
from harness.recordings.reading.vcd.header import VcdVariable, read_header
from harness.recordings.record.shown import AnalogFacts

BLOCK_BYTES = 4 << 20
_PREVIEW_BYTES = 8 << 20
_COUNTED_BYTES = 1 << 20
_MOST_COUNTED = 16
"""Channels whose edges are counted in the preview."""
_MOST_NAMES = 12
_CUT = re.compile(rb"\s(?=#\d)")


class VcdSource:
    """One channel of a file.

    Args:
        path: the file.
        channel: name, its last part, or either with a bit select such as ``bus[3]``;
            empty for the only or busiest.
        thresholds: for a real variable, in volts; None to find them.

    Raises:
        RecordingUnreadable: damaged declarations, or no such channel.
    """

    def __init__(
        self, path: Path, channel: str = "", thresholds: Thresholds | None = None
    ) -> None:
        self._path = path
        self._header = read_header(path)
        self.tick_s = self._header.tick_s
        self.notes: list[str] = []
        self.analog: AnalogFacts | None = None
        self.sample_ticks = 0
        self.bytes_read = 0
        bits = _every_bit(self._header.variables)
        self.channel = _named(path, bits, channel) if channel else self._busiest(bits)
        self.others = tuple(sorted(name for name in bits if name != self.channel))
        self._target = bits[self.channel]
        self._thresholds = thresholds
        if self.others and not channel:
            self.notes.append(
                f"channel {self.channel} is read, the busiest; others are "
                f"{_names(self.others)}: choose one with --channel"
            )

    def _busiest(self, bits: dict[str, VcdTarget]) -> str:
        """The channel with the most edges; of equals a level before a voltage.

        Counted in the file's beginning, and only of channels that are written most often:
        a vector is written as a whole, a voltage for each sample.
        """
        if len(bits) == 1:
            return next(iter(bits))
        with self._path.open("rb") as file:
            file.seek(self._header.body_offset)
            text = file.read(_PREVIEW_BYTES)
        by_code: Counter[bytes] = Counter()
        for word, count in Counter(text.split()).items():
            if word[:1] in b"01xXzZ":
                by_code[word[1:]] += count
            if word[:1] not in b"#$":
                by_code[word] += count
        names = sorted(bits, key=lambda name: -by_code[bits[name].code])
        cut = text.rfind(b"\n#", 0, _COUNTED_BYTES) + 1
        block = without_comments(text[:cut])
        return max(
            names[:_MOST_COUNTED],
            key=lambda name: (
                _edges(block, bits[name]),
                not bits[name].is_real,
                by_code[bits[name].code],
            ),
        )

    def chunks(self) -> Iterator[LevelChunk]:
        """The edges of the channel.

        Raises:
            RecordingUnreadable: a damaged value change, with line and column.
        """
        if self._target.is_real:
            yield from self._from_volts()
            return
        for found in self._changes():
            yield LevelChunk(
                times=found.times, levels=found.levels, end=found.last_time
            )

    def _from_volts(self) -> Iterator[LevelChunk]:
        finder = LevelFinder(self.tick_s)
        for found in self._changes():
            if finder.feed(found.times, found.volts):
                break
        thresholds = finder.thresholds()
        if thresholds is None:
            return
        if (given := self._thresholds) is not None:
            thresholds = replace(
                thresholds,
                falls_below_v=given.falls_below_v,
                rises_above_v=given.rises_above_v,
                from_fixture=given.from_fixture,
                from_receiver=given.from_receiver,
                window_v=given.window_v,
            )
        self.analog = thresholds.facts()
        hysteresis = Hysteresis(thresholds, self.tick_s)
        for found in self._changes():
            if not self.sample_ticks and len(found.times) > 1:
                self.sample_ticks = common_interval(found.times)
            yield hysteresis.feed(found.times, found.volts, found.last_time)

    def _changes(self) -> Iterator[BlockChanges]:
        # values ahead of the first time are those of time 0 (IEEE Std 1364-2005, clause 18.2)
        last, line = 0, self._header.body_line
        for block in self._blocks():
            try:
                found = parse_block(block, self._target, last)
            except BadToken as bad:
                whole = _without_cut_word(block, bad)
                if whole is None:
                    raise self._located(block, bad, line) from None
                found = parse_block(whole, self._target, last)
            last = found.last_time
            line += block.count(b"\n")
            yield found

    def _blocks(self) -> Iterator[bytes]:
        """Blocks of whole words that end ahead of a time."""
        carry = b""
        with self._path.open("rb") as file:
            file.seek(self._header.body_offset)
            self.bytes_read = self._header.body_offset
            while piece := file.read(BLOCK_BYTES):
                self.bytes_read += len(piece)
                carry = without_comments(carry + piece)
                if b"$comment" in carry:
                    continue
                cut = max(carry.rfind(b"\n#"), 0) or _last_cut(carry)
                if cut:
                    yield carry[: cut + 1]
                    carry = carry[cut + 1 :]
        rest = without_comments(carry)
        if rest.strip():
            yield rest

    def _located(self, block: bytes, bad: BadToken, line: int) -> RecordingUnreadable:
        before = block[: bad.offset]
        return unreadable(
            self._path,
            bad.what,
            line=line + before.count(b"\n"),
            column=bad.offset - before.rfind(b"\n"),
        )


def _edges(block: bytes, target: VcdTarget) -> int:
    """Changes of level in a block; of a voltage crossings of its middle."""
    try:
        found = parse_block(block, target, 0)
    except BadToken:
        return 0  # the reading itself says where
    levels = found.levels
    if target.is_real:
        volts = found.volts[np.isfinite(found.volts)]
        if not len(volts):
            return 0
        levels = (volts > (volts.min() + volts.max()) / 2).astype(np.int8)
    return int(np.count_nonzero(levels[1:] != levels[:-1]))


def _without_cut_word(block: bytes, bad: BadToken) -> bytes | None:
    """The block without its last word if that is a time which the file's end cut."""
    word = block[bad.offset :]
    is_last = word[:1] == b"#" and not word[-1:].isspace() and len(word.split()) == 1
    return block[: bad.offset] if is_last else None


def _last_cut(block: bytes) -> int:
    """The last position to cut a block without line feeds; 0 if there is none."""
    if b"\n" in block.strip():
        return 0
    return max((match.start() for match in _CUT.finditer(block)), default=0)


def _every_bit(variables: tuple[VcdVariable, ...]) -> dict[str, VcdTarget]:
    bits: dict[str, VcdTarget] = {}
    for variable in variables:
        if variable.is_real or variable.bits == 1:
            bits.setdefault(
                variable.name, VcdTarget(code=variable.code, is_real=variable.is_real)
            )
            continue
        for bit in range(variable.bits):
            index = variable.first_bit + variable.step * bit
            bits.setdefault(
                f"{variable.name}[{index}]", VcdTarget(code=variable.code, bit=bit)
            )
    return bits


def _named(path: Path, bits: dict[str, VcdTarget], wanted: str) -> str:
    """The full name of a channel."""
    if wanted in bits:
        return wanted
    ends = [name for name in bits if name.rsplit(".", 1)[-1] == wanted]
    if len(ends) == 1:
        return ends[0]
    hint = f"channels are {_names(tuple(sorted(bits)))}"
    if ends:
        raise unreadable(
            path, f"{wanted!r} is the name of {len(ends)} channels", hint=hint
        )
    raise unreadable(path, f"there is no channel {wanted!r}", hint=hint)


def _names(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:_MOST_NAMES])
    more = len(names) - _MOST_NAMES
    return f"{shown} and {more} more" if more > 0 else shown
