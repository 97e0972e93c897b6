r"""Standard output and standard error of a command that must not stop over them.

Rule 1: a reader that went away (closed pipe, hung-up terminal) stops no run and changes
no exit code; what is said after that is dropped.
Rule 2: a character that the output's encoding lacks is written as ``\xe9``, ``\u2713``.
Rule 3: control characters that a text brought along never reach a screen raw.
"""

from __future__ import annotations

import errno
import io
import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, cast

from harness.safe_text import safe_output, safe_screen

_READER_GONE = frozenset(
    {errno.EPIPE, errno.EIO, errno.ECONNRESET, errno.ESHUTDOWN, errno.EBADF}
)
_LOOK_S = 1.0


def say(text: object = "", *, err: bool = False) -> None:
    """Write a text and a line feed; control characters in it are made visible."""
    stream = sys.stderr if err else sys.stdout
    stream.write(f"{safe_output(text)}\n")
    stream.flush()


class _OutputSink(io.RawIOBase):
    """Bytes on their way out; the first error is kept, and nothing raised."""

    def __init__(self, target: IO[bytes]) -> None:
        super().__init__()
        self._target = target
        self.error: OSError | None = None

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._target.isatty()

    def fileno(self) -> int:
        return self._target.fileno()

    def write(self, data: Any) -> int:  # noqa: ANN401 - any buffer
        if self.error is not None:
            return len(data)
        try:
            return self._taken(data)
        except OSError as fault:
            self.error = fault
            return len(data)

    def _taken(self, data: Any) -> int:  # noqa: ANN401 - any buffer
        target: Any = self._target
        while (taken := target.write(data)) is None:
            # an output that does not block, and is full
            select.select([], [target], [], _LOOK_S)
        return int(taken)


class _Text(io.TextIOWrapper):
    """Text on its way out, safe for a screen."""

    def write(self, text: str, /) -> int:
        super().write(safe_screen(text))
        return len(text)


class Outputs:
    """The guarded streams of this process."""

    def __init__(self) -> None:
        self._sinks: list[_OutputSink] = []

    def guard(self, stream: IO[str] | None) -> IO[str]:
        """The same stream, guarded; one that holds no bytes is left as it is."""
        if stream is None:  # started without one
            return Path(os.devnull).open("w", encoding="utf-8")
        below = getattr(stream, "buffer", None)
        if below is None:
            return stream
        stream.flush()
        sink = _OutputSink(getattr(below, "raw", below))
        self._sinks.append(sink)
        return cast(
            "IO[str]",
            _Text(
                io.BufferedWriter(sink),
                encoding=getattr(stream, "encoding", None) or "utf-8",
                errors="backslashreplace",
                line_buffering=True,
            ),
        )

    @property
    def lost(self) -> str:
        """Why output is missing although it was wanted; empty if none is."""
        errors = [sink.error for sink in self._sinks if sink.error is not None]
        wanted = [e for e in errors if e.errno not in _READER_GONE]
        return (wanted[0].strerror or str(wanted[0])) if wanted else ""


@contextmanager
def guarded() -> Iterator[Outputs]:
    """Guard standard output and error while this lasts; the input reads any bytes."""
    outputs = Outputs()
    before = sys.stdout, sys.stderr
    if isinstance(sys.stdin, io.TextIOWrapper):
        with suppress(io.UnsupportedOperation):  # a caller has read from it already
            sys.stdin.reconfigure(errors="backslashreplace")
    sys.stdout, sys.stderr = map(outputs.guard, before)
    try:
        yield outputs
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        sys.stdout, sys.stderr = before
