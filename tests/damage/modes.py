"""What is done to a chunk of the stream, by name."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

Parts = list[tuple[float, bytes]]
"""What becomes of a chunk: delays in s and characters; a negative delay is the end."""

Reads = Callable[[bytes, random.Random, bytearray], Parts]
Writes = Callable[[bytes, random.Random], bytes]


@dataclass(frozen=True, kw_only=True)
class Sent:
    """A character on its way to the line."""

    kind: str
    is_last: bool


@dataclass(frozen=True, kw_only=True)
class Mode:
    """What is done to chunks read, or to bursts written."""

    reads: Reads | None = None
    writes: Writes | None = None


def _values(change: Callable[[int, random.Random], int]) -> Mode:
    return Mode(
        reads=lambda chunk, draw, _: [(0.0, bytes(change(c, draw) for c in chunk))]
    )


def _table(table: dict[int, bytes]) -> Mode:
    return Mode(
        reads=lambda chunk, *_: [
            (0.0, b"".join(table.get(c, bytes([c])) for c in chunk))
        ]
    )


def _one(chunk: bytes, draw: random.Random, instead: Callable[[int], bytes]) -> Parts:
    place = draw.randrange(len(chunk))
    return [(0.0, chunk[:place] + instead(chunk[place]) + chunk[place + 1 :])]


def _old(chunk: bytes, draw: random.Random, history: bytearray) -> bytes:
    """As many characters as the chunk has, from before it."""
    before = bytes(history[: -len(chunk)]) or chunk
    start = draw.randrange(max(1, len(before) - len(chunk)))
    return before[start : start + len(chunk)]


def _delayed(delay_s: float) -> Mode:
    return Mode(reads=lambda chunk, *_: [(delay_s, chunk)])


def _constant(value: int) -> Mode:
    return Mode(reads=lambda chunk, *_: [(0.0, bytes([value]) * len(chunk))])


MODES: dict[str, Mode] = {
    "drop chunk": Mode(reads=lambda *_: []),
    "drop character": Mode(reads=lambda c, d, _: _one(c, d, lambda _: b"")),
    "duplicate chunk": Mode(reads=lambda c, *_: [(0.0, c + c)]),
    "duplicate character": Mode(
        reads=lambda c, d, _: _one(c, d, lambda x: bytes([x, x]))
    ),
    "flip bit": Mode(
        reads=lambda c, d, _: _one(c, d, lambda x: bytes([x ^ 1 << d.randrange(8)]))
    ),
    "garble chunk": _values(lambda c, d: c ^ d.randrange(1, 256)),
    "delay 30 ms": _delayed(0.03),
    "delay 300 ms": _delayed(0.3),
    "delay 1.2 s": _delayed(1.2),
    "repeat at once": Mode(reads=lambda c, *_: [(0.0, c), (0.0, c)]),
    "repeat after 5 ms": Mode(reads=lambda c, *_: [(0.0, c), (0.005, c)]),
    "repeat after 200 ms": Mode(reads=lambda c, *_: [(0.0, c), (0.2, c)]),
    "replay more": Mode(reads=lambda c, d, h: [(0.0, c + _old(c, d, h))]),
    "replay instead": Mode(reads=lambda c, d, h: [(0.0, _old(c, d, h))]),
    "stall": Mode(reads=lambda c, d, _: [(d.uniform(0.05, 3.0), c)]),
    "deaf": Mode(reads=lambda *_: []),
    "die": Mode(reads=lambda *_: [(-1.0, b"")]),
    "7 bits": _values(lambda c, _: c & 0x7F),
    "even parity": _values(lambda c, _: c & 0x7F | (c & 0x7F).bit_count() % 2 << 7),
    "inverted": _values(lambda c, _: c ^ 0xFF),
    "half": Mode(reads=lambda c, *_: [(0.0, c[::2])]),
    "twice": Mode(reads=lambda c, *_: [(0.0, bytes(x for x in c for _ in (0, 1)))]),
    "constant 00h": _constant(0x00),
    "constant 50h": _constant(0x50),
    "constant 90h": _constant(0x90),
    "random": _values(lambda _, d: d.randrange(256)),
    "xon/xoff": _table({0x11: b"", 0x13: b""}),
    "cr to lf": _table({0x0D: b"\n"}),
    "lf to cr lf": _table({0x0A: b"\r\n"}),
    "FFh escaped": _table({0xFF: b"\xff\xff"}),
    "FFh taken": _table({0xFF: b""}),
    "C0h escaped": _table({0xC0: b"\xdb\xdc", 0xDB: b"\xdb\xdd"}),
    "00h taken": _table({0x00: b""}),
    "transmit lost": Mode(writes=lambda *_: b""),
    "transmit doubled": Mode(
        writes=lambda data, _: bytes(x for x in data for _ in (0, 1))
    ),
    "transmit one more": Mode(
        writes=lambda data, d: _one(data, d, lambda x: bytes([x, x]))[0][1]
    ),
    "transmit one less": Mode(
        writes=lambda data, d: _one(data, d, lambda _: b"")[0][1]
    ),
    "transmit cut": Mode(writes=lambda data, d: data[: d.randrange(len(data))]),
}
