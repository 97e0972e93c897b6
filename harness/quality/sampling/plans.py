"""The tables of single sampling plans by attributes.

ISO 2859-1, ANSI/ASQ Z1.4 and MIL-STD-105E: Table I for code letters, II-A normal, II-B
tightened, II-C reduced. Within a table the acceptance number depends on how many letters
lie between the lot's letter and the one with a plan 0/1, so one row holds each table.
Held against copies: code letters of levels I to III; normal for AQL 0.65 to 2.5 and
letters A to N; tightened for these to letter L. The rest is from memory, as
``Found.from_memory`` says, and is checked by its operating characteristic only.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError

LETTERS = "ABCDEFGHJKLMNPQR"
"""Code letters of lots; the tightened plan of R may be that of S."""

AQLS = (
    0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0,
    6.5, 10.0, 15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0,
)  # fmt: skip
"""Acceptance quality limits: bad units per hundred, above 10 nonconformities per hundred
units, for a unit may have several."""

MOST_PERCENT = 10.0
"""Above this AQL nonconformities are counted and not units."""

LARGEST_LOTS = (
    8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000,
)  # fmt: skip
CODE_LETTERS = {
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
}
"""Inspection level to code letters, by lot size. The special levels S-1 to S-4, for tests
that are dear or destroy the unit, are from memory."""

SEEN_LEVELS = ("I", "II", "III")


class Severity(StrEnum):
    """Kind of inspection."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


class Standard(StrEnum):
    """Whose tables; normal and tightened single plans are the same in both."""

    ISO = "iso-2859-1"
    MIL = "mil-std-105e"


_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150)
_REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)

_UP, _DOWN = "up", "down"
Cell = tuple[int, int] | str

# Cells from the letter with 0/1 in the normal table on; before them the arrow points
# down, after them up.
_ROWS: dict[Severity, tuple[Cell, ...]] = {
    Severity.NORMAL: (
        (0, 1), _UP, _DOWN, (1, 2), (2, 3), (3, 4), (5, 6), (7, 8), (10, 11), (14, 15),
        (21, 22),
    ),
    Severity.TIGHTENED: (
        _DOWN, (0, 1), _DOWN, _DOWN, (1, 2), (2, 3), (3, 4), (5, 6), (8, 9), (12, 13),
        (18, 19),
    ),
    Severity.REDUCED: (
        (0, 1), _UP, _DOWN, (0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10),
        (10, 13),
    ),
}  # fmt: skip

# The reduced plans of ISO 2859-1:1999 have no gap between acceptance and rejection number.
# Three cells lie between 0 and 1, those of its fractional plans 1/5, 1/3 and 1/2.
_ISO_REDUCED: tuple[Cell, ...] = (
    (0, 1), _UP, _DOWN, _DOWN, (1, 2), (2, 3), (3, 4), (5, 6), (6, 7), (8, 9), (10, 11),
)  # fmt: skip

# Small samples go on where nonconformities are counted: letters up to the given one.
_LARGER: dict[Severity, tuple[tuple[Cell, ...], str]] = {
    Severity.NORMAL: (((30, 31), (44, 45)), "E"),
    Severity.TIGHTENED: (((27, 28), (41, 42)), "E"),
}

_ZERO = {aql: 14 - place for place, aql in enumerate(AQLS)}
"""Place of the letter with 0/1 in the normal table; below none for the largest AQLs."""

_SEEN_AQLS = (0.65, 1.0, 1.5, 2.5)
_LAST_SEEN = {Severity.NORMAL: "N", Severity.TIGHTENED: "L"}

_S_ONLY = (Severity.TIGHTENED, 0.025)
"""The one column in which letter S has a plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPlan:
    """A plan as the tables have it.

    Attributes:
        size: units to draw.
        accept: acceptance number.
        reject: rejection number.
        letter: of the plan, after the arrows.
        from_memory: True if no copy of the table was at hand for this cell.
    """

    size: int
    accept: int
    reject: int
    letter: str
    from_memory: bool


def look_up(
    letter: str, *, aql: float, severity: Severity, standard: Standard
) -> FoundPlan:
    """The plan of a cell, arrows followed.

    An arrow that leads off the table turns round: above the first letter with a plan
    there is only the way down, below the last one only the way up.

    Raises:
        UsageError: a reduced plan above AQL 10, of which no copy is at hand.
    """
    reduced = severity is Severity.REDUCED
    if reduced and aql > MOST_PERCENT:
        raise UsageError(
            f"reduced plans above AQL {MOST_PERCENT:g} are not held here",
            hint="use normal inspection, which asks for more",
        )
    iso_reduced = reduced and standard is Standard.ISO
    row = _ISO_REDUCED if iso_reduced else _ROWS[severity]
    letters = LETTERS + ("S" if (severity, aql) == _S_ONLY else "")
    start = LETTERS.index(letter)
    place = _follow(row, severity, _ZERO[aql], start, len(letters))
    cell = _cell(row, severity, place, _ZERO[aql])
    assert not isinstance(cell, str)
    return FoundPlan(
        size=(_REDUCED_SIZES if reduced else _SIZES)[place],
        accept=cell[0],
        reject=cell[1],
        letter=letters[place],
        from_memory=_from_memory(severity, aql, max(start, place), start == place),
    )


def _follow(
    row: tuple[Cell, ...], severity: Severity, zero: int, start: int, count: int
) -> int:
    place, way = start, 0
    while isinstance(cell := _cell(row, severity, place, zero), str):
        way = way or (1 if cell == _DOWN else -1)
        if not 0 <= place + way < count:
            place, way = start, -way
        place += way
    return place


def _cell(row: tuple[Cell, ...], severity: Severity, place: int, zero: int) -> Cell:
    offset = place - zero
    if offset < 0:
        return _DOWN
    if offset < len(row):
        return row[offset]
    more, last = _LARGER.get(severity, ((), "A"))
    if offset - len(row) < len(more) and place <= LETTERS.index(last):
        return more[offset - len(row)]
    return _UP


def _from_memory(severity: Severity, aql: float, last_place: int, direct: bool) -> bool:
    last_seen = _LAST_SEEN.get(severity)
    if last_seen is None or aql not in _SEEN_AQLS:
        return True
    arrow_unseen = severity is Severity.TIGHTENED and not direct
    return arrow_unseen or last_place > LETTERS.index(last_seen)
