"""What did not end as it should, each reason once."""

from __future__ import annotations

from harness.station.shift.shift import ShiftEnd, remark_lines
from harness.station.shift.tally import Counts

FULL = "the journal cannot be written: No space left on device"


def _lines(*lost: tuple[str, str, str]) -> list[str]:
    end = ShiftEnd(
        counts=Counts(), unbooked=0, interrupted=False, stuck=(), broken=(), lost=lost
    )
    return list(remark_lines(end))


def test_a_full_disk_is_said_once_with_its_units() -> None:
    """A unit that was put in twice stands there once."""
    (line,) = _lines(
        ("CS-1", "left", FULL), ("CS-2", "right", FULL), ("CS-1", "left", FULL)
    )
    assert line == (
        f"invalid          CS-1 in left, CS-2 in right: {FULL}; their tests have no "
        "whole journal: test them again"
    )


def test_each_reason_has_its_line() -> None:
    first, second = _lines(("CS-1", "left", FULL), ("", "right", "other"))
    assert first.startswith("invalid          CS-1 in left: ")
    assert second == (
        "invalid          a unit in right: other; its test has no whole journal: "
        "test it again"
    )
