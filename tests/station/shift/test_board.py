"""What the operator sees, from two metres and without colours."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from harness.station.display_states import (
    ROWS,
    VERDICTS,
    DisplayState,
    View,
    big,
    big_word,
)
from harness.station.shift.board import Board
from harness.station.shift.tally import ShiftTally


@pytest.mark.parametrize("sign", DisplayState)
def test_every_sign_can_be_drawn(sign: DisplayState) -> None:
    """Five rows of one width, of marks and blanks alone."""
    for rows in (big(sign), big_word(sign)):
        assert len(rows) == ROWS
        assert len({len(row) for row in rows}) == 1
        assert set("".join(rows)) <= {"#", " "}
    assert len(sign.word) <= 6


def test_verdicts_differ_without_colour() -> None:
    """Word and shape of each verdict are its own."""
    verdicts = set(VERDICTS.values())
    assert len({sign.word for sign in verdicts}) == len(verdicts)
    assert len({big(sign)[0] for sign in verdicts}) == len(verdicts)


@pytest.mark.parametrize("width", [40, 80, 160])
def test_two_places_side_by_side(width: int) -> None:
    """No line is wider than the window, however narrow; both places are on it."""
    said = io.StringIO()
    console = Console(file=said, width=width, force_terminal=True, color_system=None)
    board = Board(console, ["left", "right"], ShiftTally())
    board.show(View(position="left", sign=DisplayState.PASSED, serial="CS-1", headline="green tray"))  # fmt: skip
    board.show(View(position="right", sign=DisplayState.FAILED, serial="CS-2", words=("too warm",)))  # fmt: skip
    board.say("the ledger is away")
    console.print(board.picture())
    lines = said.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    for words in ("left", "right", "CS-1", "CS-2", "too warm", "the ledger is away"):
        assert words in said.getvalue()
    if width == 160:
        assert any(line.count("#") > 10 for line in lines)


def test_plain_lines_without_a_terminal() -> None:
    """In a file each verdict is one whole line, and what may act on a terminal is shown."""
    said = io.StringIO()
    board = Board(Console(file=said, width=40), ["left"], ShiftTally())
    with board:
        board.show(View(position="left", sign=DisplayState.TESTING, serial="CS-1"))
        board.show(
            View(
                position="left",
                sign=DisplayState.FAILED,
                serial="CS\x1b[2J",
                headline="read -> red bin",
                words=("temperature is 25 degC", "No retest is left."),
            )
        )
    assert said.getvalue().splitlines() == [
        "FAIL   left  CS\\x1b[2J  read -> red bin  temperature is 25 degC | No retest is left."
    ]
