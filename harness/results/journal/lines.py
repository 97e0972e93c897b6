"""One line of a journal: read, and checked for damage before anybody uses it.

A line that is no JSON object with an ``event`` is *lost*; one without its line feed was
being written when the run was cut, which is normal. A line that can be read and cannot
be what a run wrote (time runs backwards, an infinite number, the same line twice)
makes the file a damaged one.
"""

from __future__ import annotations

import json
import math
import re
from datetime import datetime
from pathlib import Path
from typing import Any

from harness.errors import UsageError

LARGEST_NUMBER = 1e30
"""No quantity comes near it; beyond it sums of squares overflow."""

LONGEST_S = 1e10
"""Three hundred years: no run lasts longer."""

_MOST_DIGITS = 20
"""Of a whole number: the 64-bit counters of devices have so many."""

_DEEPEST = 64
"""Nesting levels of lists and objects; no event has ten."""

_TEXT = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*"?', re.DOTALL)
"""A text of JSON, the last one perhaps without its end."""

_BRACKET = re.compile(rb"[\[\]{}]")
_ONCE = frozenset(
    {
        "run_started", "run_resumed", "part_started", "adapter_checked", "step_started",
        "check_done", "step_done", "run_done", "soak_started", "soak_progress",
    }
)  # fmt: skip
"""Events that no run writes twice in a row with the same time and content."""


class Event(dict[str, Any]):
    """One event.

    Attributes:
        where: file and line, for messages.
        is_cut: true of a lost line that was being written when the run was cut.
    """

    where: str = ""
    is_cut: bool = False


def damaged(what: object, event: dict[str, Any], *, where: str = "") -> UsageError:
    """The error of a line that cannot be what a run wrote."""
    return UsageError(
        f"the journal is damaged: {what}",
        where=getattr(event, "where", "") or where,
        hint="take the file as the run wrote it; it may hold more in a backup",
    )


def require_whole(event: dict[str, Any]) -> None:
    """Insist that nothing is missing in the middle of a journal.

    Raises:
        UsageError: the event stands for a line that cannot be read, and no cut made it.
    """
    if event["event"] == "line_lost" and not getattr(event, "is_cut", False):
        raise damaged("this line cannot be read", event)


def parsed(line: bytes) -> Event | None:
    """The event of a line; None if the line does not hold a whole one."""
    if _is_deep(line):
        return None
    try:
        found = json.loads(
            line.decode("utf-8"),
            parse_constant=_refused,
            parse_float=_finite,
            parse_int=_whole,
        )
    except ValueError:
        return None
    if not isinstance(found, dict) or not isinstance(found.get("event"), str):
        return None
    return Event(found)


def lost(line: bytes, number: int) -> Event:
    """The event that stands for a line that cannot be read."""
    event = Event({"event": "line_lost", "line": number, "bytes": len(line)})
    event.is_cut = not line.endswith(b"\n")
    return event


class LineCheck:
    """Checks the lines of one part against each other, in their order."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._last_s = 0.0
        self._before = b""

    def take(self, event: Event, line: bytes, number: int) -> None:
        """Note where an event stands.

        Raises:
            UsageError: it cannot be what a run wrote.
        """
        event.where = f"{self._path}:{number}"
        if line == self._before and event["event"] in _ONCE:
            raise damaged("this line stands twice", event)
        self._before = line
        time_s = event.get("t_s", self._last_s)
        if isinstance(time_s, bool) or not isinstance(time_s, int | float):
            raise damaged("t_s is no number", event)
        if not 0 <= time_s <= LONGEST_S:
            raise damaged(f"t_s {time_s:g} is no time of a run", event)
        if time_s < self._last_s:
            text = f"time runs backwards, from {self._last_s:g} to {time_s:g} s"
            raise damaged(text, event)
        self._last_s = time_s
        if not _is_calendar(event.get("at")):
            raise damaged(f"at is {event['at']!r:.40}, no date and time", event)


def _is_calendar(at: object) -> bool:
    if at is None:
        return True
    try:
        return isinstance(at, str) and datetime.fromisoformat(at).tzinfo is not None
    except ValueError:
        return False


def _refused(word: str) -> None:
    raise ValueError(f"{word} is no JSON")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or abs(value) > LARGEST_NUMBER:
        raise ValueError("too large")
    return value


def _whole(text: str) -> int:
    if len(text) > _MOST_DIGITS:
        raise ValueError("too large")
    return int(text)


def _is_deep(line: bytes) -> bool:
    """True if lists and objects are nested deeper than any event's.

    Determined from the text. The parser calls itself for each level, and whatever else runs
    while its stack is nearly full (a finaliser of the garbage collector) fails there.
    """
    if line.count(b"[") + line.count(b"{") <= _DEEPEST:
        return False
    depth = 0
    for bracket in _BRACKET.finditer(_TEXT.sub(b"", line)):
        depth += 1 if bracket[0] in b"[{" else -1
        if depth > _DEEPEST:
            return True
    return False
