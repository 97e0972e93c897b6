"""Reads a journal back, whole or while it grows; recognises an incomplete line."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from harness.errors import UsageError
from harness.results.journal.lines import Event, LineCheck, lost, parsed
from harness.results.journal.old_events import put_current_names
from harness.results.journal.parts import part_path

FORMAT = 1
"""Version of the events that this module writes and reads."""

FILE_NAME = "journal.jsonl"

_LONGEST_LINE = 16 * 1024 * 1024


def read_events(path: Path) -> Iterator[dict[str, Any]]:
    """The events of a journal, all its parts, in constant memory.

    A line that was cut or torn becomes an event ``line_lost`` with its ``line``
    number (from 1, in its part) and the ``bytes`` that are left of it.

    Args:
        path: its first part.

    Raises:
        UsageError: on the first step of the iteration, if there is no such file or
            it does not begin as a journal of a format that is known; later, if a part
            is none of this journal.
    """
    run_id = ""
    for part in itertools.count(1):
        following = part_path(path, part)
        if part > 1 and not following.exists():
            return
        with _readable(following), following.open("rb") as stream:
            check = LineCheck(following)
            for number, line in enumerate(_lines(stream), start=1):
                event = _event(line, following, part, number, run_id)
                check.take(event, line, number)
                put_current_names(event, line)
                run_id = run_id or str(event.get("run_id", ""))
                yield event
            if part == 1 and not stream.tell():
                _checked_first(b"", path)


def _event(line: bytes, path: Path, part: int, number: int, run_id: str) -> Event:
    """The event of a line, which may be the first of its part."""
    if part == 1 and number == 1:
        return _checked_first(line, path)
    event = parsed(line)
    if event is None:
        return lost(line, number)
    if number == 1 and (event["event"], event.get("run_id")) != (
        "part_started",
        run_id,
    ):
        raise UsageError(
            "this file is no part of the journal beside it",
            where=f"{path}:1",
            hint="move it away: parts of different runs never share a folder",
        )
    return event


class JournalUnreadable(UsageError):
    """The file cannot be read now; it may come back."""


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as exc:
        raise JournalUnreadable(
            f"the journal cannot be read: {exc.strerror}",
            where=str(path),
            hint=f"name the {FILE_NAME} of a results folder",
        ) from exc


class Tail:
    """Follows a journal that is still being written.

    Args:
        path: its first part.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._part = 1
        self._offset = 0
        self._number = 0
        self._run_id = ""
        self._check = LineCheck(path)

    def new_events(self) -> list[dict[str, Any]]:
        """Whole lines since the last call; the line being written waits.

        Raises:
            UsageError: see ``read_events``.
        """
        events: list[dict[str, Any]] = []
        while True:
            # asked first: a part is whole before the next one is made
            is_whole = part_path(self._path, self._part + 1).exists()
            events += self._of_part(whole=is_whole)
            if not is_whole:
                break
            self._part += 1
            self._offset = self._number = 0
            self._check = LineCheck(part_path(self._path, self._part))
        if self._part == 1 and not self._number:
            raise UsageError(
                "the journal has not begun yet",
                where=str(self._path),
                hint="start the run first, then watch it",
            )
        return events

    def _of_part(self, *, whole: bool) -> Iterator[Event]:
        path = part_path(self._path, self._part)
        with _readable(path), path.open("rb") as stream:
            if stream.seek(0, os.SEEK_END) < self._offset:
                raise UsageError(
                    "the journal is shorter than it was",
                    where=str(path),
                    hint="start watching again; a run never shortens its journal",
                )
            stream.seek(self._offset)
            for line in _lines(stream):
                if not line.endswith(b"\n") and not whole:
                    break
                self._offset += len(line)
                self._number += 1
                event = _event(line, path, self._part, self._number, self._run_id)
                self._check.take(event, line, self._number)
                put_current_names(event, line)
                self._run_id = self._run_id or str(event.get("run_id", ""))
                yield event


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    """Lines; of one longer than anything we write only the beginning."""
    while line := stream.readline(_LONGEST_LINE):
        rest = line
        while len(rest) == _LONGEST_LINE and not rest.endswith(b"\n"):
            rest = stream.readline(_LONGEST_LINE)
        yield line


def _checked_first(line: bytes, path: Path) -> Event:
    event = parsed(line)
    if event is None or event["event"] != "run_started":
        reason = "the file is empty"
        if line:
            reason = "line 1 is not the whole start of a run"
        raise UsageError(
            f"this is no journal, or one that was cut before its run began: {reason}",
            where=f"{path}:1",
            hint=f"name the {FILE_NAME} of a results folder",
        )
    if event.get("format") != FORMAT:
        raise UsageError(
            f"the journal has format {event.get('format')!r}, "
            f"this version reads format {FORMAT}",
            where=f"{path}:1",
            hint="use the version of slotproof that wrote it (run_started names it)",
        )
    return event
