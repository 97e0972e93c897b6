"""The journal of a run: ``journal.jsonl``, one JSON object a line, append only.

Rule 1: a line goes out in one ``write`` straight to the operating system, so that
``kill -9`` at any instant loses at most the line being written.
Rule 2: the end of a step and of the run is forced to the disk, so that a power cut
loses little; ``sync=True`` does so for every line.
Rule 3: the reader takes a torn line for what it is and reads on; whatever does not
begin as a journal is refused.

Events of format 1 (``at``, ``t_s`` stand in each; further events are kept, and
projections pass over them):

    run_started      format, run_id, plan {title, path, sha256, parameters},
                     fixture {title, path, sha256, sockets}, versions, host,
                     steps [{step, kind, title}]: all leaf steps in order
    adapter_checked  adapter {plain facts}
    step_started     step, kind, title, expected_s
    check_done       step, round, result (``CheckResult.as_dict``)
    step_done        step, outcome, duration_s; where no result tells the reason:
                     why {kind, message, hint}
    gap              reason, from_s, to_s
    run_done         outcome, exit_code, interrupted; where no step tells the reason:
                     why {kind, message, hint}
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping
from datetime import UTC
from numbers import Integral, Real
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import structlog
from structlog.typing import EventDict, WrappedLogger

from harness.clock import Clock
from harness.errors import AdapterError, UsageError

FORMAT = 1
"""Version of the events that this module writes and reads."""

FILE_NAME = "journal.jsonl"

Event = dict[str, Any]

_STAMPS = ("event", "at", "t_s")
_FORCED_TO_DISK = frozenset({"step_done", "run_done"})
_LONGEST_LINE = 16 * 1024 * 1024


class _Sink:
    """Takes finished lines from structlog; one ``write`` each."""

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        self._handle = os.open(path, flags | getattr(os, "O_BINARY", 0), 0o644)
        self._path = path
        self._torn = False

    def info(self, line: str) -> None:
        # after a torn line (disk full) the next one must not join it
        data = (("\n" if self._torn else "") + line + "\n").encode("ascii")
        self._torn = True
        try:
            written = os.write(self._handle, data)
        except OSError as exc:
            raise self._lost(exc.strerror or str(exc)) from exc
        if written != len(data):
            raise self._lost("only a part of the line was taken, the disk may be full")
        self._torn = False

    def force(self) -> None:
        try:
            os.fsync(self._handle)
        except OSError as exc:
            raise self._lost(exc.strerror or str(exc)) from exc

    def close(self) -> None:
        os.close(self._handle)

    def _lost(self, reason: str) -> AdapterError:
        return AdapterError(
            f"the journal cannot be written: {reason}",
            where=str(self._path),
            hint="make room on that disk; what was written before is kept",
        )


class Journal:
    """Writes the events of one run.

    Use as a context manager; make it with ``create``. Secrets must never be
    passed in: whatever comes is written.
    """

    def __init__(self, path: Path, clock: Clock, *, sync: bool = False) -> None:
        self.path = path
        self._clock = clock
        self._sync = sync
        self._start_s = clock.now_s()
        self._sink = _Sink(path)
        self._closed = False
        self._log: structlog.BoundLogger = structlog.wrap_logger(
            self._sink,
            processors=[
                self._stamp,
                _to_plain,
                structlog.processors.JSONRenderer(
                    separators=(",", ":"), allow_nan=False
                ),
            ],
            wrapper_class=structlog.BoundLogger,
            context_class=dict,
            cache_logger_on_first_use=True,
        )

    @classmethod
    def create(cls, folder: Path, clock: Clock, *, sync: bool = False) -> Self:
        """A new journal in ``folder``, which is made if need be.

        Args:
            folder: the run's own results folder.
            clock: the port's clock; its time now becomes ``t_s`` zero.
            sync: force every line to the disk, not the ends of steps alone.

        Raises:
            UsageError: there is a journal already, or the folder cannot be used.
        """
        path = folder / FILE_NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return cls(path, clock, sync=sync)
        except FileExistsError as exc:
            raise UsageError(
                "a journal or file of this name exists already",
                where=str(path),
                hint="name a fresh results folder; a journal is never overwritten",
            ) from exc
        except OSError as exc:
            raise UsageError(
                f"the results folder cannot be used: {exc.strerror}",
                where=str(folder),
                hint="name a results folder that you may write to",
            ) from exc

    def record(self, event: str, /, **fields: Any) -> None:  # noqa: ANN401 - any fact
        """Append one event.

        Bytes become hex digits, numbers that are not finite become null and are
        named in ``not_finite``, whatever JSON does not know becomes its ``str``.

        Raises:
            AdapterError: the disk did not take the line.
            ValueError: the journal is closed, or a field is named as a stamp is.
        """
        if self._closed:
            raise ValueError("the journal is closed")
        if taken := [name for name in _STAMPS if name in fields]:
            raise ValueError(f"the journal itself writes {', '.join(taken)}")
        self._log.info(event, **fields)
        if self._sync or event in _FORCED_TO_DISK:
            self._sink.force()

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._sink.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _stamp(self, _log: WrappedLogger, _method: str, fields: EventDict) -> EventDict:
        at = self._clock.calendar().astimezone(UTC)
        return {
            "event": fields.pop("event"),
            "at": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "t_s": round(self._clock.now_s() - self._start_s, 6),
            **fields,
        }


def _to_plain(_log: WrappedLogger, _method: str, fields: EventDict) -> EventDict:
    not_finite: list[str] = []
    plain = {
        key: _plain(value, place=key, not_finite=not_finite)
        for key, value in fields.items()
    }
    if not_finite:
        plain["not_finite"] = not_finite
    return plain


def _plain(value: object, *, place: str, not_finite: list[str]) -> object:
    """The value in JSON's own types; places of numbers without end are noted."""
    if isinstance(value, Mapping):
        return {
            str(key): _plain(item, place=f"{place}.{key}", not_finite=not_finite)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        return [
            _plain(item, place=f"{place}.{n}", not_finite=not_finite)
            for n, item in enumerate(value)
        ]
    if isinstance(value, Real) and not math.isfinite(value):
        not_finite.append(f"{place} = {value}")
        return None
    return _plain_scalar(value)


def _plain_scalar(value: object) -> str | int | float | None:
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        return float(value)
    if isinstance(value, bytes | bytearray | memoryview):
        return value.hex()
    return str(value)


def read_events(path: Path) -> Iterator[Event]:
    """The events of a journal, one after the other, in constant memory.

    A line that was cut or torn becomes an event ``line_lost`` with its ``line``
    number (from 1) and the ``bytes`` that are left of it.

    Raises:
        UsageError: on the first step of the iteration, if there is no such file or
            it does not begin as a journal of a format that is known.
    """
    try:
        with path.open("rb") as stream:
            first = stream.readline(_LONGEST_LINE)
            yield _checked_first(first, path)
            for number, line in enumerate(_lines(stream), start=2):
                yield _parsed(line) or _lost_line(number, line)
    except OSError as exc:
        raise UsageError(
            f"the journal cannot be read: {exc.strerror}",
            where=str(path),
            hint=f"name the {FILE_NAME} of a results folder",
        ) from exc


class Tail:
    """Follows a journal that is still being written.

    Args:
        path: the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._offset = 0
        self._number = 0

    def new_events(self) -> list[Event]:
        """Whole lines since the last call; the line being written waits.

        Raises:
            UsageError: see ``read_events``.
        """
        events: list[Event] = []
        try:
            with self._path.open("rb") as stream:
                stream.seek(self._offset)
                for line in _lines(stream):
                    if not line.endswith(b"\n"):
                        break
                    self._offset += len(line)
                    self._number += 1
                    first = self._number == 1
                    event = _checked_first(line, self._path) if first else _parsed(line)
                    events.append(event or _lost_line(self._number, line))
        except OSError as exc:
            raise UsageError(
                f"the journal cannot be read: {exc.strerror}",
                where=str(self._path),
                hint=f"name the {FILE_NAME} of a results folder",
            ) from exc
        if not self._number:
            raise UsageError(
                "the journal has not begun yet",
                where=str(self._path),
                hint="start the run first, then watch it",
            )
        return events


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    """Lines; of one longer than anything we write only the beginning."""
    while line := stream.readline(_LONGEST_LINE):
        rest = line
        while len(rest) == _LONGEST_LINE and not rest.endswith(b"\n"):
            rest = stream.readline(_LONGEST_LINE)
        yield line


def _parsed(line: bytes) -> Event | None:
    """The event of a line; None if the line does not hold a whole one."""
    try:
        event = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        return None
    if isinstance(event, dict) and isinstance(event.get("event"), str):
        return event
    return None


def _lost_line(number: int, line: bytes) -> Event:
    return {"event": "line_lost", "line": number, "bytes": len(line)}


def _checked_first(line: bytes, path: Path) -> Event:
    event = _parsed(line)
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
