"""What is wrong with a recording that cannot be read."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError


class RecordingUnreadable(UsageError):
    """A file is no recording, or is damaged: file, line, column, what was expected."""

    kind = "recording"


def unreadable(
    path: Path, what: str, *, line: int = 0, column: int = 0, hint: str = ""
) -> RecordingUnreadable:
    """The error for a position in a file; line and column count from 1, 0 is none."""
    where = f"{path.name}:{line}:{column}" if line else path.name
    cure = hint or ("export the recording again" if line else "")
    return RecordingUnreadable(what, where=where, hint=cure)
