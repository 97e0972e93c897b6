"""What an operator types: lines from keys, and keys that are no scan."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from harness.station.keyboard import silent_keys, typed_lines, without_keys
from harness.station.shift.board import Board
from harness.station.shift.tally import ShiftTally


def a_board(*, terminal: bool = False) -> Board:
    """A board that nobody sees."""
    console = Console(file=io.StringIO(), force_terminal=terminal, width=80)
    return Board(console, ["left"], ShiftTally())


@pytest.mark.parametrize(
    ("typed", "lines"),
    [
        ("CS-1\nend\n", ["CS-1", "end"]),
        ("CS-1\r", ["CS-1"]),
        ("CS-12\x7f\n", ["CS-1"]),
        ("\x7f\bCS-1\n", ["CS-1"]),
        ("CS-1\n\x04CS-2\n", ["CS-1"]),
        ("CS\x04-1\n", ["CS-1"]),
        ("CS\t-1\x07\n", ["CS-1"]),
        ("CS-1", []),
    ],
)
def test_keys_become_lines(typed: str, lines: list[str]) -> None:
    """Rubbed out, ended by Ctrl-D on an empty line, controls left out."""
    assert list(typed_lines(typed, a_board())) == lines


def test_the_board_shows_what_is_typed() -> None:
    """Letter by letter, and nothing after enter: the terminal itself echoes none."""
    board = a_board()
    seen: list[str] = []
    for _ in typed_lines(iter_and_see("CS-1\n", board, seen), board):
        pass
    assert seen == ["", "typed: C", "typed: CS", "typed: CS-", "typed: CS-1"]


def iter_and_see(keys: str, board: Board, seen: list[str]) -> Iterator[str]:
    """The keys; before each, what the board shows of those before."""
    for key in keys:
        shown = [str(part) for part in board.picture().renderables[2:]]
        seen.append(shown[-1] if shown else "")
        yield key


@settings(derandomize=True, deadline=None)
@given(
    number=st.text(st.characters(categories=("L", "N"), max_codepoint=0x17F)),
    key=st.sampled_from(
        ["\x1b[A", "\x1b[1;5C", "\x1bOP", "\x1b[3~", "\x1b[200~", "\x1b"]
    ),
)
def test_a_key_before_or_after_a_scan_does_not_spoil_it(number: str, key: str) -> None:
    """Arrows, function keys, Delete and a pasting terminal send sequences of their own."""
    assert without_keys(f"{number}{key}") == number
    if key != "\x1b":
        assert without_keys(f"{key}{number}") == number


def test_keys_are_silent_while_a_board_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Echo and line mode are off meanwhile and come back; a board in a file changes nothing."""
    termios = pytest.importorskip("termios")
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)

        def echoes() -> bool:
            return bool(termios.tcgetattr(slave)[3] & termios.ECHO)

        assert echoes()
        with silent_keys(a_board(terminal=True)) as silent:
            assert silent
            assert not echoes()
        assert echoes()
        with silent_keys(a_board()) as silent:
            assert not silent
            assert echoes()
    os.close(master)
