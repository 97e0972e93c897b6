"""The scanner's lines, read beside the positions.

Rule 1: while the board is redrawn, the terminal echoes no key: the line feed of an Enter
would push the board down by a line and leave a piece of the old one, a request that is
none any more. The board itself shows what is typed.
Rule 2: a key that is no scan, such as an arrow, changes nothing, and nothing of the scan
that follows it either.
"""

from __future__ import annotations

import codecs
import os
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from threading import Thread

from harness.lazy import termios
from harness.station.serials import END_WORD, Scanner
from harness.station.shift.board import Board
from harness.station.shift.shift import Shift

_KEY_SEQUENCE = re.compile(r"\x1b(?:\[[0-9;?]*[ -/]*[@-~]|O.|.)?")
"""What a key that is no character sends (ECMA-48, 5.4 and 5.5)."""

_END_OF_INPUT = "\x04"
_RUB_OUT = "\x7f\b"


@contextmanager
def silent_keys(board: Board) -> Iterator[bool]:
    """Keys are not echoed while this lasts; True if so, False where that cannot be.

    Args:
        board: silent only while it is redrawn on a terminal.
    """
    if not (board.is_live and sys.stdin.isatty()):
        yield False
        return
    descriptor = sys.stdin.fileno()
    try:
        before = termios.tcgetattr(descriptor)
    except (ImportError, OSError):  # this system has no such terminals
        yield False
        return
    silent = [*before[:3], before[3] & ~(termios.ECHO | termios.ICANON), *before[4:]]
    try:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, silent)
        yield True
    finally:
        with suppress(OSError, termios.error):  # the terminal may be gone
            termios.tcsetattr(descriptor, termios.TCSAFLUSH, before)


def listen(scanner: Scanner, shift: Shift, board: Board, *, silent: bool) -> None:
    """Read lines in the background; ``end``, or the end of the input, ends the shift.

    Args:
        scanner: takes each line.
        shift: what ``end`` ends.
        board: shows answers, and what is typed.
        silent: True if the terminal echoes nothing.
    """

    def read() -> None:
        lines: Iterable[str] = typed_lines(_keys(), board) if silent else sys.stdin
        for line in lines:
            if line.strip().lower() == END_WORD:
                break
            if answer := scanner.take(without_keys(line)):
                board.answer(answer)
        shift.stop()

    Thread(target=read, name="scanner", daemon=True).start()


def without_keys(line: str) -> str:
    """A line without what arrows and other keys that are no characters sent."""
    return _KEY_SEQUENCE.sub("", line)


def typed_lines(keys: Iterable[str], board: Board) -> Iterator[str]:
    """Lines from single keys; the board shows each as it grows."""
    line = ""
    for key in keys:
        if key in "\r\n":
            yield line
            line = ""
        elif key == _END_OF_INPUT:
            if not line:
                return
        elif key in _RUB_OUT:
            line = line[:-1]
        elif key.isprintable():
            line += key
        board.show_typed(line)


def _keys() -> Iterator[str]:
    """The characters of the terminal, one by one, without keys that are none."""
    decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")
    descriptor = sys.stdin.fileno()
    while data := os.read(descriptor, 1024):
        yield from without_keys(decoder.decode(data))
