"""A recording of either kind, recognised by its first bytes."""

from __future__ import annotations

from pathlib import Path

from harness.recordings.problems import unreadable
from harness.recordings.reading.chunks import LevelSource
from harness.recordings.reading.columns.reader import ColumnSource
from harness.recordings.reading.main_levels import Thresholds
from harness.recordings.reading.vcd.reader import VcdSource

_HEAD = 4096


def open_recording(
    path: Path, *, channel: str = "", thresholds: Thresholds | None = None
) -> LevelSource:
    """Opens a Value Change Dump or a CSV file.

    Args:
        path: the file; its contents decide, not its name.
        channel: name of the channel; empty for the only or busiest one.
        thresholds: for volts; None to find them.

    Raises:
        RecordingUnreadable: missing, empty, binary, damaged, or no such channel.
    """
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as fault:
        raise unreadable(path, f"cannot be read: {fault.strerror or fault}") from None
    if not head.strip():
        raise unreadable(path, "the file is empty", hint="export the recording again")
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise unreadable(
            path, "the text is UTF-16", hint="export or save it as UTF-8 or ASCII"
        )
    _require_text(path, head)
    if head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"$":
        return VcdSource(path, channel, thresholds)
    return ColumnSource(path, channel, thresholds)


def _require_text(path: Path, head: bytes) -> None:
    odd = [at for at, byte in enumerate(head) if byte < 32 and byte not in b"\t\n\r\f"]
    if odd:
        before = head[: odd[0]]
        raise unreadable(
            path,
            f"the file is binary (byte {head[odd[0]]:02X}h): expected VCD or CSV text",
            line=before.count(b"\n") + 1,
            column=odd[0] - before.rfind(b"\n"),
            hint="export the recording as VCD or CSV",
        )
