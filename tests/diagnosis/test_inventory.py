"""Who belongs to a bus: nobody is added or dropped on the evidence of one scan."""

from __future__ import annotations

import pytest

from harness.diagnosis.inventory import Standing, take_stock

A, B, C = "1E0000008DBE4428", "72000000EB02A228", "9F000000CDB9F528"
SWITCH = "9C0000A4B3C2D13A"
GHOST = "1E0000008DBE4429"


@pytest.mark.parametrize(
    ("listed", "scans", "answered", "wanted"),
    [
        ([A], [{A}] * 3, {A: 5}, {A: Standing.PRESENT}),
        ([A], [{A}, set(), {A}], {A: 5}, {A: Standing.FLICKERING}),
        ([A], [set()], {}, {A: Standing.FLICKERING}),
        ([A], [{A}, {A}, set()], {}, {A: Standing.FLICKERING}),
        ([A], [set(), set()], {}, {A: Standing.MISSING}),
        ([A], [set(), set()], {A: 1}, {A: Standing.FLICKERING}),
        ([A], [{A}, set(), set()], {}, {A: Standing.LEFT}),
        (
            [A, B, C],
            [{A, B, C}, {C}, {C}],
            {C: 5},
            {A: Standing.LEFT_TOGETHER, B: Standing.LEFT_TOGETHER, C: Standing.PRESENT},
        ),
        (
            [A, B],
            [{A, B}, {B}, set(), set()],
            {},
            {A: Standing.LEFT, B: Standing.LEFT},
        ),
        ([A], [{A}, {A, B}, {A, B}], {A: 5, B: 5}, {A: Standing.PRESENT, B: Standing.NEWCOMER}),
        ([A], [{A}, {A}, {A, B}], {A: 5, B: 5}, {A: Standing.PRESENT, B: Standing.UNPROVED}),
        ([A], [{A}, {A, GHOST}, {A}], {A: 5}, {A: Standing.PRESENT, GHOST: Standing.PHANTOM}),
        ([A], [{A, GHOST}] * 3, {A: 5}, {A: Standing.PRESENT, GHOST: Standing.UNPROVED}),
        (
            [A],
            [{A, SWITCH}] * 3,
            {A: 5, SWITCH: 5},
            {A: Standing.PRESENT, SWITCH: Standing.UNLISTED_FAMILY},
        ),
        ([], [{SWITCH}] * 3, {SWITCH: 5}, {SWITCH: Standing.NEWCOMER}),
    ],
)  # fmt: skip
def test_standing(
    listed: list[str],
    scans: list[set[str]],
    answered: dict[str, int],
    wanted: dict[str, Standing],
) -> None:
    """What each course of scans makes of each code."""
    assert take_stock(listed=listed, scans=scans, answered=answered) == wanted
