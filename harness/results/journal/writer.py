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
                     steps [{step, kind, title}]: all leaf steps in order; go_on: the
                     command that takes the run up again, if it is known
    adapter_checked  adapter {plain facts}
    step_started     step, kind, title, expected_s
    check_done       step, round, result (``CheckResult.as_dict``)
    step_done        step, outcome, duration_s; where no result gives the reason:
                     why {kind, message, hint}
    gap              reason, from_s, to_s; where several share a line also times, away_s
    run_done         outcome, exit_code, interrupted; ended_by: the signal's name;
                     where no step gives the reason: why {kind, message, hint}
    part_started     part, run_id: first line of every file but the first
    run_resumed      run_id, gap_s (null if unknown), steps, again [steps whose results
                     do not stand, for they had lost the adapter]: a run that did not come to
                     its end goes on; its open step starts again
    probe_started    name, did: an examination goes on to its next probe
    probe_done       name, took_s, broke_off: what ended it early, or empty
    soak_started     what a soak does and can prove
    soak_resumed     cycle, elapsed_s: a soak goes on from there
    soak_progress    cycle, elapsed_s, readings {ROM code: value} of one round, or
                     rounds and spread {ROM code: [count, lowest, mean, highest]};
                     counts {ROM code or bus: {name: growth since the last line}}
    soak_error       device, kind, message, cycle, blame: one error
    soak_event       happened_at, text: a line of the event file
    soak_margin      device, name, value, unit, low, high: one timing value
    soak_stopped     why, cycle
    trace_...        what a recording of the line shows: ``results.recording.events``
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from datetime import UTC
from numbers import Integral, Real
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from harness.clock import Clock
from harness.errors import HostError, UsageError
from harness.results.journal.lines import Event
from harness.results.journal.owner import Ownership
from harness.results.journal.parts import PART_BYTES, last_part, part_path
from harness.results.journal.reader import (
    FILE_NAME,
    FORMAT,
    Tail,
    read_events,
)

__all__ = ["FILE_NAME", "FORMAT", "Event", "Journal", "Tail", "read_events"]

_STAMPS = ("event", "at", "t_s")
_FORCED_TO_DISK = frozenset({"step_done", "run_done"})


class _Sink:
    """Takes finished lines; one ``write`` each."""

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        self._handle = os.open(path, flags | getattr(os, "O_BINARY", 0), 0o644)
        self._path = path
        self._torn = False
        self.size = 0

    def write(self, line: str) -> None:
        # after a torn line (disk full) the next one must not join it
        data = (("\n" if self._torn else "") + line + "\n").encode("ascii")
        self._torn = True
        try:
            written = os.write(self._handle, data)
        except OSError as exc:
            raise self._lost(exc.strerror or str(exc)) from exc
        self.size += written
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

    def _lost(self, reason: str) -> HostError:
        return HostError(
            f"the journal cannot be written: {reason}",
            where=str(self._path),
        )


class Journal:
    """Writes the events of one run.

    Use as a context manager; make it with ``create``. Secrets must never be
    passed in: whatever comes is written.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        *,
        sync: bool = False,
        part: int = 1,
        after_s: float = 0.0,
        run_id: str = "",
        part_bytes: int = PART_BYTES,
    ) -> None:
        self.path = path
        self._clock = clock
        self._sync = sync
        self._part = part
        self._part_bytes = part_bytes
        self._run_id = run_id
        self._start_s = clock.now_s() - after_s
        self._closed = False
        self._sink = _Sink(part_path(path, part))
        self._ownership = Ownership(path)
        if part > 1:
            self._begin_part()

    @classmethod
    def create(
        cls,
        folder: Path,
        clock: Clock,
        *,
        sync: bool = False,
        part_bytes: int = PART_BYTES,
    ) -> Self:
        """A new journal in ``folder``, which is made if need be.

        Args:
            folder: the run's own results folder.
            clock: the port's clock; its time now becomes ``t_s`` zero.
            sync: force every line to the disk, not the ends of steps alone.
            part_bytes: size from which on the journal goes on in its next part.

        Raises:
            UsageError: there is a journal already, or the folder cannot be used.
        """
        path = folder / FILE_NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return cls(path, clock, sync=sync, part_bytes=part_bytes)
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

    @classmethod
    def take_up(cls, path: Path, clock: Clock, *, after_s: float, run_id: str) -> Self:
        """The next part of a journal whose run did not come to its end.

        What is there already is not touched.

        Args:
            path: its first part.
            clock: the port's clock.
            after_s: the current ``t_s``, counted from the run's first beginning.
            run_id: the run's name.

        Raises:
            UsageError: another process takes it up, or the folder cannot be used.
        """
        part = last_part(path) + 1
        try:
            return cls(path, clock, part=part, after_s=after_s, run_id=run_id)
        except OSError as exc:
            raise UsageError(
                f"the journal cannot be taken up: {exc.strerror}",
                where=str(part_path(path, part)),
                hint="look whether another run goes on with it; else run anew",
            ) from exc

    def record(self, event: str, /, **fields: Any) -> None:  # noqa: ANN401 - any fact
        """Append one event.

        Bytes become hex digits, numbers that are not finite become null and are
        named in ``not_finite``, whatever JSON does not know becomes its ``str``.

        Raises:
            HostError: the disk did not take the line.
            ValueError: the journal is closed, or a field is named as a stamp is.
        """
        if self._closed:
            raise ValueError("the journal is closed")
        if taken := [name for name in _STAMPS if name in fields]:
            raise ValueError(f"the journal itself writes {', '.join(taken)}")
        if self._sink.size >= self._part_bytes:
            self._next_part()
        if event == "run_started":
            self._run_id = str(fields.get("run_id", ""))
        self._write(event, fields)
        if self._sync or event in _FORCED_TO_DISK:
            self._sink.force()

    def _next_part(self) -> None:
        self._sink.force()
        path = part_path(self.path, self._part + 1)
        try:
            following = _Sink(path)
        except OSError as exc:
            raise HostError(
                f"the journal's next part cannot be made: {exc.strerror}",
                where=str(path),
            ) from exc
        self._sink.close()
        self._part += 1
        self._sink = following
        self._begin_part()

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._sink.close()
            self._ownership.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _write(self, event: str, fields: dict[str, Any]) -> None:
        at = self._clock.calendar().astimezone(UTC)
        stamped = {
            "event": event,
            "at": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "t_s": round(self._clock.now_s() - self._start_s, 6),
            **fields,
        }
        not_finite: list[str] = []
        plain = {
            key: _plain(value, path=key, not_finite=not_finite)
            for key, value in stamped.items()
        }
        if not_finite:
            plain["not_finite"] = not_finite
        self._sink.write(json.dumps(plain, separators=(",", ":"), allow_nan=False))

    def _begin_part(self) -> None:
        self._write("part_started", {"part": self._part, "run_id": self._run_id})


def _plain(value: object, *, path: str, not_finite: list[str]) -> object:
    """The value in JSON's own types; paths of numbers that are not finite are noted."""
    if isinstance(value, Mapping):
        return {
            str(key): _plain(item, path=f"{path}.{key}", not_finite=not_finite)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        return [
            _plain(item, path=f"{path}.{n}", not_finite=not_finite)
            for n, item in enumerate(value)
        ]
    if isinstance(value, Real) and not math.isfinite(value):
        not_finite.append(f"{path} = {value}")
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
