"""Who belongs to a bus: nobody is added or dropped on the evidence of one scan."""

from __future__ import annotations

import pytest

from harness.diagnosis.inventory import Membership, take_stock

A, B, C = "1E0000008DBE4428", "72000000EB02A228", "9F000000CDB9F528"
SWITCH = "9C0000A4B3C2D13A"
GHOST = "1E0000008DBE4429"


@pytest.mark.parametrize(
    ("listed", "scans", "answered", "wanted"),
    [
        ([A], [{A}] * 3, {A: 5}, {A: Membership.PRESENT}),
        ([A], [{A}, set(), {A}], {A: 5}, {A: Membership.FLICKERING}),
        ([A], [set()], {}, {A: Membership.FLICKERING}),
        ([A], [{A}, {A}, set()], {}, {A: Membership.FLICKERING}),
        ([A], [set(), set()], {}, {A: Membership.MISSING}),
        ([A], [set(), set()], {A: 1}, {A: Membership.FLICKERING}),
        ([A], [{A}, set(), set()], {}, {A: Membership.LEFT}),
        (
            [A, B, C],
            [{A, B, C}, {C}, {C}],
            {C: 5},
            {A: Membership.LEFT_TOGETHER, B: Membership.LEFT_TOGETHER, C: Membership.PRESENT},
        ),
        (
            [A, B],
            [{A, B}, {B}, set(), set()],
            {},
            {A: Membership.LEFT, B: Membership.LEFT},
        ),
        ([A], [{A}, {A, B}, {A, B}], {A: 5, B: 5}, {A: Membership.PRESENT, B: Membership.NEWCOMER}),
        ([A], [{A}, {A}, {A, B}], {A: 5, B: 5}, {A: Membership.PRESENT, B: Membership.UNPROVED}),
        ([A], [{A}, {A, GHOST}, {A}], {A: 5}, {A: Membership.PRESENT, GHOST: Membership.PHANTOM}),
        ([A], [{A, GHOST}] * 3, {A: 5}, {A: Membership.PRESENT, GHOST: Membership.UNPROVED}),
        (
            [A],
            [{A, SWITCH}] * 3,
            {A: 5, SWITCH: 5},
            {A: Membership.PRESENT, SWITCH: Membership.UNLISTED_FAMILY},
        ),
        ([], [{SWITCH}] * 3, {SWITCH: 5}, {SWITCH: Membership.NEWCOMER}),
    ],
)  # fmt: skip
def test_standing(
    listed: list[str],
    scans: list[set[str]],
    answered: dict[str, int],
    wanted: dict[str, Membership],
) -> None:
    """What each course of scans makes of each code."""
    assert take_stock(listed=listed, scans=scans, answered=answered) == wanted
