"""Which number goes to which place."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.station.serials import NoSerials, Scanner, SerialsFromFile


def test_the_place_that_waits_longest_gets_the_number() -> None:
    """Numbers go to places in the order in which their units came."""
    scanner = Scanner(["left", "right"])
    assert scanner.wanted("right") is None
    assert scanner.wanted("left") is None
    assert scanner.take("CS-1\n") == "right: CS-1"
    scanner.take("CS-2")
    assert scanner.wanted("left") == "CS-2"
    assert scanner.wanted("right") == "CS-1"


def test_a_number_for_nobody_is_refused() -> None:
    """Kept, it would end on the next unit, whichever that is."""
    scanner = Scanner(["left"])
    assert "put it in first" in scanner.take("CS-1")
    assert scanner.wanted("left") is None
    assert scanner.take("") == ""


def test_a_unit_taken_out_takes_its_number_along() -> None:
    """A number that came as its unit left does not wait for the next unit."""
    scanner = Scanner(["left"])
    assert scanner.wanted("left") is None
    scanner.take("CS-1")
    scanner.given_up("left")
    assert scanner.wanted("left") is None


def test_a_number_by_place() -> None:
    """``right=CS-1`` is for that place at once, even if no unit answers there."""
    scanner = Scanner(["left", "right"])
    assert scanner.forced("right") is None
    assert scanner.take("right=CS-1") == "right: CS-1"
    assert scanner.forced("left") is None
    assert scanner.forced("right") == "CS-1"
    assert scanner.forced("right") is None


def test_numbers_of_a_file(tmp_path: Path) -> None:
    """In order; one given up comes next; none left is none."""
    path = tmp_path / "numbers.txt"
    path.write_text("CS-1\n\n  CS-2\n")
    numbers = SerialsFromFile.read(path)
    assert numbers.wanted("left") == "CS-1"
    numbers.given_up("left")
    assert [numbers.wanted("left") for _ in range(3)] == ["CS-1", "CS-2", None]
    assert numbers.forced("left") is None


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """It is told with its name."""
    with pytest.raises(UsageError, match="cannot be read"):
        SerialsFromFile.read(tmp_path / "numbers.txt")


def test_no_numbers() -> None:
    """The empty number is there at once."""
    assert NoSerials().wanted("left") == ""
    assert NoSerials().forced("left") is None
