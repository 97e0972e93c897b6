"""The tables of single sampling plans, copied whole: sizes, letters, numbers, arrows.

ISO 2859-1 and MIL-STD-105E, tables I and II. What the module has from memory is so here
too; a second writing catches slips of the first.
"""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.quality.sampling.plans import AQLS, Severity, Standard
from harness.quality.sampling.verdict import code_letter, plan_for_letter

LETTERS = [
    "A",
    "B",
    "C",
    "D",
    "E",
    "F",
    "G",
    "H",
    "J",
    "K",
    "L",
    "M",
    "N",
    "P",
    "Q",
    "R",
]
SIZES = dict(zip(LETTERS, (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000), strict=True))  # fmt: skip
REDUCED_SIZES = dict(zip(LETTERS, (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800), strict=True))  # fmt: skip
QUALITY = [
    0.01, 0.015, 0.025, 0.04, 0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1, 1.5, 2.5, 4, 6.5, 10,
    15, 25, 40, 65, 100, 150, 250, 400, 650, 1000,
]  # fmt: skip

# Acceptance numbers along a diagonal: the first is that of 0 in the normal table, where
# the sample has an eighth of a bad unit at the AQL (13 units of 1 %, 20 of 0.65 %).
NORMAL = [0, None, None, 1, 2, 3, 5, 7, 10, 14, 21]
TIGHTENED = [None, 0, None, None, 1, 2, 3, 5, 8, 12, 18]
REDUCED_105 = [(0, 1), None, None, (0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10), (10, 13)]  # fmt: skip
REDUCED_ISO = [(0, 1), None, None, None, (1, 2), (2, 3), (3, 4), (5, 6), (6, 7), (8, 9), (10, 11)]  # fmt: skip


def place_of(letter: str, aql: float) -> int:
    """Cells behind the one with 0 of the normal table."""
    return LETTERS.index(letter) + QUALITY.index(aql) - 14


def test_qualities_and_sizes() -> None:
    """Five steps a decade, sizes in the same steps."""
    assert list(AQLS) == QUALITY
    for letter, size in SIZES.items():
        if letter == "R":
            continue  # 0.0065 % is no column
        aql = QUALITY[14 - LETTERS.index(letter)]
        plan = plan_for_letter(letter, aql=aql)
        assert (plan.size, plan.accept, plan.reject) == (size, 0, 1)
        # an eighth of a bad unit
        assert plan.size * aql / 100 == pytest.approx(0.126, rel=0.06)


@pytest.mark.parametrize(("severity", "row"), [(Severity.NORMAL, NORMAL), (Severity.TIGHTENED, TIGHTENED)])  # fmt: skip
def test_every_cell_with_a_number(severity: Severity, row: list[int | None]) -> None:
    """Size of the letter itself, and one more to reject than to accept."""
    cells = 0
    for letter, size in SIZES.items():
        for aql in QUALITY:
            place = place_of(letter, aql)
            if not 0 <= place < len(row) or row[place] is None:
                continue
            plan = plan_for_letter(letter, aql=aql, severity=severity)
            assert (plan.size, plan.accept) == (size, row[place]), (letter, aql)
            assert plan.reject == plan.accept + 1
            assert plan.used_letter == letter
            cells += 1
    assert cells > 100


@pytest.mark.parametrize(
    ("standard", "row"), [(Standard.MIL, REDUCED_105), (Standard.ISO, REDUCED_ISO)]
)
def test_every_reduced_cell(
    standard: Standard, row: list[tuple[int, int] | None]
) -> None:
    """Of smaller samples; a gap between the numbers in the older standard only."""
    for letter, size in REDUCED_SIZES.items():
        for aql in QUALITY[:16]:
            place = place_of(letter, aql)
            if not 0 <= place < len(row) or row[place] is None:
                continue
            plan = plan_for_letter(letter, aql=aql, severity=Severity.REDUCED, standard=standard)  # fmt: skip
            assert (plan.size, (plan.accept, plan.reject)) == (size, row[place])
    with pytest.raises(UsageError, match="above AQL 10"):
        plan_for_letter("F", aql=15, severity=Severity.REDUCED)


@pytest.mark.parametrize(
    ("letter", "aql", "severity", "size", "accept", "used"),
    [
        # down to the first plan, up to the last, across the gap either way
        ("A", 0.65, Severity.NORMAL, 20, 0, "F"),
        ("G", 0.65, Severity.NORMAL, 20, 0, "F"),
        ("H", 0.65, Severity.NORMAL, 80, 1, "J"),
        ("R", 0.01, Severity.NORMAL, 1250, 0, "Q"),
        ("R", 1000, Severity.NORMAL, 3, 44, "B"),
        ("E", 400, Severity.NORMAL, 8, 44, "D"),
        ("F", 250, Severity.NORMAL, 13, 44, "E"),
        ("E", 650, Severity.TIGHTENED, 5, 41, "C"),
        ("D", 650, Severity.NORMAL, 5, 44, "C"),
        ("D", 250, Severity.NORMAL, 8, 30, "D"),
        ("C", 400, Severity.NORMAL, 5, 30, "C"),
        ("R", 0.025, Severity.TIGHTENED, 3150, 1, "S"),
        ("R", 0.015, Severity.TIGHTENED, 1250, 0, "Q"),
        ("A", 1.0, Severity.TIGHTENED, 20, 0, "F"),
        ("G", 1.0, Severity.TIGHTENED, 80, 1, "J"),
    ],
)
def test_arrows(  # noqa: PLR0917 - a cell of a table
    letter: str, aql: float, severity: Severity, size: int, accept: int, used: str
) -> None:
    """Followed to the plan that they lead to; off the table they turn round."""
    plan = plan_for_letter(letter, aql=aql, severity=severity)
    assert (plan.size, plan.accept, plan.used_letter) == (size, accept, used)


@pytest.mark.parametrize(
    ("level", "letters"),
    [
        ("S-1", "AAAABBBBCCCCDDD"), ("S-2", "AAABBBCCCDDDEEE"), ("S-3", "AABBCCDDEEFFGGH"),
        ("S-4", "AABCCDEEFGGHJJK"),
    ],
)  # fmt: skip
def test_special_levels(level: str, letters: str) -> None:
    """By lots of up to 8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200 ... units."""
    largest = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)  # fmt: skip
    for place, letter in enumerate(letters):
        lot = largest[place] if place < len(largest) else 500_001
        assert code_letter(lot_size=lot, level=level) == letter
    assert code_letter(lot_size=2, level=level) == letters[0]
