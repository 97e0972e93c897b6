"""Which program writes to a journal: a file beside it while it is open.

``journal.running`` names host, process and the start of that process, and is touched
again and again. Of a program on this machine the process itself answers whether it is
still there (a process number that was given out anew has another start); of one on
another machine, or in another container, the touches do. No lock of the operating system
is asked for: many shared disks have none. What ``kill -9`` leaves behind blocks no later run.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import threading
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Self

from harness.errors import UsageError

FILE_NAME = "journal.running"

BEAT_S = 5.0
"""Interval at which the file is touched, seconds."""

SILENT_S = 60.0
"""A program on another machine whose file was not touched for so long is gone: twelve
touches, for a shared disk may hand them on late (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """A program that writes to a journal.

    Attributes:
        host: name of its machine.
        machine: what distinguishes machine, boot and container; empty if not known.
        pid: its process.
        started: when the process began, in the system's own count; empty if not known.
    """

    host: str
    machine: str
    pid: int
    started: str

    @classmethod
    def this(cls) -> Self:
        """This program."""
        pid = os.getpid()
        return cls(
            host=platform.node() or "localhost",
            machine=_machine(),
            pid=pid,
            started=_started(pid) or "",
        )

    def is_alive(self, silent_s: float) -> bool:
        """True if it still writes.

        Args:
            silent_s: how long its file was not touched.
        """
        here = self.this()
        if (self.host, self.machine) != (here.host, here.machine):
            return silent_s < SILENT_S
        if not self.started:
            return silent_s < SILENT_S and not _is_certainly_gone(self.pid)
        return _started(self.pid) == self.started

    def __str__(self) -> str:
        return f"process {self.pid} on {self.host}"


def _machine() -> str:
    parts = []
    with contextlib.suppress(OSError):
        parts.append(Path("/proc/sys/kernel/random/boot_id").read_text().strip())
    with contextlib.suppress(OSError):
        parts.append(str(Path("/proc/self/ns/pid").readlink()))
    return " ".join(parts)


def _started(pid: int) -> str | None:
    """Start of a process in clock ticks since boot (proc(5), field 22); None if gone."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(errors="replace")
    except OSError:
        return None
    # the name in brackets may hold anything, brackets too
    fields = text.rpartition(")")[2].split()
    if len(fields) < 20 or fields[0] in {"Z", "X"}:
        return None
    return fields[19]


def _is_certainly_gone(pid: int) -> bool:
    if os.name != "posix":
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def owner_of(journal: Path) -> Owner | None:
    """The program that is writing to a journal now; None if there is none.

    Args:
        journal: its first part.
    """
    path = journal.with_name(FILE_NAME)
    try:
        owner = Owner(**json.loads(path.read_bytes()))
        owner = Owner(**{**asdict(owner), "pid": int(owner.pid)})
    except (OSError, ValueError, TypeError):
        return None
    return owner if owner.is_alive(_silent_s(path)) else None


def require_unowned(journal: Path) -> None:
    """No process writes to the journal, so its run may be taken up.

    Raises:
        UsageError: its run is still going on.
    """
    owner = owner_of(journal)
    if owner is not None:
        raise UsageError(
            f"this run is still going on: {owner} writes to its journal",
            where=str(journal),
            hint="wait for its end or end it first; `slotproof watch` shows it",
        )


def _silent_s(path: Path) -> float:
    """Age of the last touch by the disk's own clock, which other machines share."""
    probe = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        probe.touch()
        now_s = probe.stat().st_mtime
        return max(0.0, now_s - path.stat().st_mtime)
    except OSError:
        return 0.0
    finally:
        with contextlib.suppress(OSError):
            probe.unlink(missing_ok=True)


class Ownership:
    """States that this program writes to a journal, until ``release``.

    Args:
        journal: its first part.

    A disk that does not take the file is no reason not to write the journal.
    """

    def __init__(self, journal: Path) -> None:
        self._path = journal.with_name(FILE_NAME)
        self._over = threading.Event()
        with contextlib.suppress(OSError):
            self._path.write_text(json.dumps(asdict(Owner.this())), encoding="ascii")
        self._beat = threading.Thread(target=self._touch, daemon=True)
        self._beat.start()

    def _touch(self) -> None:
        while not self._over.wait(BEAT_S):
            try:
                os.utime(self._path)
            except FileNotFoundError:
                return
            except OSError:
                continue

    def release(self) -> None:
        """The journal is closed; a second call does nothing."""
        if self._over.is_set():
            return
        self._over.set()
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)
