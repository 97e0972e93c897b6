"""Events from outside: a file of times and texts that another program writes.

One event a line, ``time,text``, such as ``2026-03-01T22:14:05Z,compressor on``. The
time is ISO 8601 (UTC unless it says otherwise) or seconds from the start of the soak.
The file may grow while the soak runs: whole new lines are taken in after each round.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

_LONGEST_TEXT = 200
_LONGEST_LINE = 4096
_MOST_EVENTS = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One event of the file.

    Attributes:
        at: when, UTC.
        text: what.
    """

    at: datetime
    text: str


class EventFile:
    """Follows a file of events.

    Args:
        path: the file; it may not be there yet.
        start: calendar time of the soak's start, for times in seconds.
    """

    def __init__(self, path: Path, start: datetime) -> None:
        self._path = path
        self._start = start
        self._offset = 0
        self._number = 0
        self._taken = 0

    def new(self, *, last: bool = False) -> tuple[list[Happening], list[str]]:
        """Events since the last call, and complaints about lines that are none.

        Args:
            last: True at the end, when a line without its line feed counts too.
        """
        found: list[Happening] = []
        wrong: list[str] = []
        for line in self._lines(last=last):
            self._number += 1
            event = self._parsed(line)
            if isinstance(event, str):
                wrong.append(f"line {self._number}: {event}")
            elif event is not None and self._taken < _MOST_EVENTS:
                self._taken += 1
                found.append(event)
                if self._taken == _MOST_EVENTS:
                    wrong.append(
                        f"more than {_MOST_EVENTS} events: the rest is left out"
                    )
        return found, wrong

    def _lines(self, *, last: bool) -> list[str]:
        try:
            with self._path.open("rb") as stream:
                stream.seek(self._offset)
                data = stream.read(_LONGEST_LINE * _MOST_EVENTS)
        except OSError:
            return []  # it may come later
        whole = len(data) if last else data.rfind(b"\n") + 1
        self._offset += whole
        return data[:whole].decode("utf-8", errors="replace").splitlines()

    def _parsed(self, line: str) -> Happening | str | None:
        """The event, a complaint, or None for a line that says nothing."""
        line = line.strip().removeprefix("\ufeff")
        if not line or line.startswith("#"):
            return None
        fields = next(csv.reader([line[:_LONGEST_LINE]]), [])
        if len(fields) < 2 or not fields[1].strip():
            return "not of the form time,text"
        at = self._time(fields[0].strip())
        if at is None:
            # a heading is no mistake
            return None if self._number == 1 else f"{fields[0][:40]!r} is no time"
        return Happening(at=at, text=",".join(fields[1:]).strip()[:_LONGEST_TEXT])

    def _time(self, text: str) -> datetime | None:
        try:
            seconds = float(text)
        except ValueError:
            pass
        else:
            usable = math.isfinite(seconds) and abs(seconds) < 1e9
            return self._start + timedelta(seconds=seconds) if usable else None
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            return None
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
