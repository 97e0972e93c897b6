"""Marks on disk: this instrument may be on. Made before an output leaves rest.

A run that is killed cannot switch anything off. Its mark stays, and no later run on
this machine begins while it stands. A second file, locked while a run uses the
instrument, keeps it to one run; the lock goes with the process that holds it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO

from harness.errors import HostError, InstrumentFault
from harness.instruments.row import InstrumentRow
from harness.lazy import fcntl, msvcrt

STATE_VARIABLE = "SLOTPROOF_STATE"
"""Names the folder of marks, where it is not that of the user."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnMark:
    """What stands in a mark.

    Attributes:
        name: the instrument as its fixture calls it.
        resource: VISA resource name.
        identity: its answer to ``*IDN?``.
        since: when it left rest, UTC.
        process: number of the process that did so.
    """

    name: str
    resource: str
    identity: str
    since: str
    process: int


def folder() -> Path:
    """Where marks are kept: of this user on this machine."""
    named = os.environ.get(STATE_VARIABLE)
    if named:
        return Path(named)
    if os.name == "nt":
        base = Path(os.environ.get("LOCALAPPDATA", str(Path.home())))
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local/state")
    return base / "slotproof"


def _path(row: InstrumentRow, suffix: str) -> Path:
    named = f"{row.library} {row.resource}" + (f" {row.bench}" if row.bench else "")
    digest = hashlib.sha256(named.encode()).hexdigest()
    return folder() / f"instrument-{digest[:16]}.{suffix}"


def standing(row: InstrumentRow) -> OnMark | None:
    """The mark of an instrument, if one stands; one that cannot be read stands too."""
    path = _path(row, "json")
    try:
        return OnMark(**json.loads(path.read_text("utf-8")))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError):
        return OnMark(
            name=row.name, resource=row.resource, identity="", since="", process=0
        )


def make(row: InstrumentRow, identity: str, since: str) -> None:
    """Write the mark through to the disk, before anything is sent.

    Raises:
        HostError: it cannot be written.
    """
    mark = OnMark(
        name=row.name,
        resource=row.resource,
        identity=identity,
        since=since,
        process=os.getpid(),
    )
    path = _path(row, "json")
    draft = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with draft.open("w", encoding="utf-8") as handle:
            json.dump(asdict(mark), handle)
            handle.flush()
            os.fsync(handle.fileno())
        draft.replace(path)
    except OSError as fault:
        raise HostError(
            f"the mark that {row.name} is on cannot be written: {fault.strerror}",
            where=str(path),
        ) from fault


def clear(row: InstrumentRow) -> None:
    """Take the mark away: the instrument is at rest.

    Raises:
        HostError: it cannot be taken away.
    """
    path = _path(row, "json")
    try:
        path.unlink(missing_ok=True)
    except OSError as fault:
        raise HostError(
            f"{row.name} is at rest, and its mark cannot be taken away: {fault.strerror}",
            where=str(path),
            hint="delete the file, or no later run begins",
        ) from fault


@contextmanager
def locked(row: InstrumentRow) -> Iterator[None]:
    """Keep an instrument to this process.

    Raises:
        InstrumentFault: another process uses it.
        HostError: the lock file cannot be made.
    """
    path = _path(row, "lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+b")
    except OSError as fault:
        raise HostError(
            f"{row.name} cannot be locked: {fault.strerror}", where=str(path)
        ) from fault
    with handle:
        if not _lock(handle):
            raise InstrumentFault(
                "another run on this machine uses it",
                where=f"{row.name} ({row.resource})",
                hint="wait until that run is over, or end it",
            )
        yield


def _lock(handle: IO[bytes]) -> bool:
    """Lock the file for this process; False if another one holds it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except ImportError:
        return _lock_on_windows(handle)
    except OSError:
        return False
    return True


def _lock_on_windows(handle: IO[bytes]) -> bool:
    """The same by the first byte, which need not exist."""
    try:
        handle.seek(0)
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
    except ImportError:
        return True  # a system with neither lock; the mark is kept all the same
    except OSError:
        return False
    return True
