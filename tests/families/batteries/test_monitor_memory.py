"""Pages of the battery monitor: a worked write, and each step of it going wrong."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import AnswerImpossible, StillBusy
from harness.families.batteries.battery_monitor import write_page

Make = Callable[..., Any]

ROW = "01 02 03 04 05 06 07 08"
WRITE = [
    (f"4E 03 {ROW}", ""),
    ("BE 03", f"{ROW} 83"),
    ("48 03", "FF"),
    ("B8 03", ""),
    ("BE 03", f"{ROW} 83"),
]
EMPTY = ("BE 03", "FF FF FF FF FF FF FF FF C9")


def test_user_page_worked_transaction(script: Make) -> None:
    """4Eh, BEh with CRC 83h, 48h (data sheet DS2438), then recalled and compared."""
    session = script(0x26, WRITE)
    write_page(session, 3, bytes.fromhex(ROW))
    assert session.lines == []
    assert session.held_s == [0.010]


@pytest.mark.parametrize(
    ("place", "line", "error", "words"),
    [
        (1, EMPTY, AnswerImpossible, "scratchpad of page 3 reads FF"),
        (2, ("48 03", "00"), StillBusy, "copy of page 3 is not done"),
        (4, EMPTY, AnswerImpossible, "page 3 after the copy reads FF"),
    ],
)
def test_a_page_that_is_not_written_is_told(
    script: Make,
    place: int,
    line: tuple[str, str],
    error: type[Exception],
    words: str,
) -> None:
    """Scratchpad, copy or cells: the first that is not as it must be."""
    session = script(0x26, [*WRITE[:place], line, *WRITE[place + 1 :]])
    with pytest.raises(error, match=words):
        write_page(session, 3, bytes.fromhex(ROW))
