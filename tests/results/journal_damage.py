"""Damage done to journals, by a seed: what disks, editors and careless copies do."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

JUNK: tuple[Any, ...] = (
    None, True, False, -1, 0, 7, 10**400, -(10**19), 1e308, -1e-300, "", "x", "\x00",
    "\ud800", "\x1b[2J\x9b31m", "nan", "2026-13-45T99:00:00Z", [], [[]], {}, {"a": []},
    [1, "2", None], "A" * 5000, "$\\frac{", "<b>&amp;]]>",
)  # fmt: skip


def damage(data: bytes, rng: random.Random) -> bytes:
    """The journal with one to three damages."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        data = rng.choice(_WAYS)(data, rng)
    return data


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _hole(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data) + 1)
    return data[:start] + data[start + rng.randrange(1, 200) :]


def _flip(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 30))):
        if changed:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _bytes(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data) + 1)
    junk = rng.choice(
        (b"\x00" * 512, b"\xff\xfe", b"\xed\xa0\x80", b"NaN", b"1e999", b"9" * 5000,
         b"[" * 3000, b"\n\n", b"\r\n", b"\x1b]0;x\x07", b'"', b"{", b"}")
    )  # fmt: skip
    return data[:start] + junk + data[start + rng.choice((0, 0, len(junk))) :]


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    if len(lines) < 3:
        return data
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(3)
    if way == 0:
        lines.insert(other, lines[at])
    elif way == 1:
        lines[at], lines[other] = lines[other], lines[at]
    else:
        del lines[at]
    return b"".join(lines)


def _fields(data: bytes, rng: random.Random) -> bytes:
    """One field anywhere in one line: taken out, renamed, or of another kind."""
    lines = data.splitlines(keepends=True)
    if not lines:
        return data
    at = rng.randrange(len(lines))
    try:
        event = json.loads(lines[at])
    except ValueError:
        return data
    places: list[tuple[Any, Any]] = []

    def walk(value: Any) -> None:  # noqa: ANN401 - any JSON
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, inner in list(items):
            places.append((value, key))
            if isinstance(inner, dict | list):
                walk(inner)

    if not isinstance(event, dict | list):
        return data
    walk(event)
    if not places:
        return data
    holder, key = rng.choice(places)
    way = rng.randrange(4)
    if way == 0:
        del holder[key]
    elif way == 1 and isinstance(holder, dict):
        holder[f"{key}x"] = holder.pop(key)
    else:
        holder[key] = rng.choice(JUNK)
    lines[at] = json.dumps(event).encode("ascii") + b"\n"
    return b"".join(lines)


_WAYS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    _cut, _hole, _flip, _bytes, _lines, _fields, _fields, _fields, _fields,
)  # fmt: skip
