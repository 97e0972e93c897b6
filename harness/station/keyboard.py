"""The scanner's lines, read beside the places."""

from __future__ import annotations

import sys
from threading import Thread

from harness.station.board import Board
from harness.station.serials import END_WORD, Scanner
from harness.station.shift.shift import Shift


def listen(scanner: Scanner, shift: Shift, board: Board) -> None:
    """Read lines in the background; ``end``, or the end of the input, ends the shift."""

    def read() -> None:
        for line in sys.stdin:
            if line.strip().lower() == END_WORD:
                break
            if answer := scanner.take(line):
                board.answer(answer)
        shift.stop()

    Thread(target=read, name="scanner", daemon=True).start()
