"""Acceptance sampling by attributes: which plan, what it lets through, the verdict.

Single sampling plans of the published attribute tables (ISO 2859-1, ANSI/ASQ Z1.4,
MIL-STD-105E; Table I for code letters, II-A normal, II-B tightened, II-C reduced).
Within a table the acceptance number depends on how many letters lie between the
lot's letter and the one with a plan 0/1, so one row holds each table. Held against
copies: code letters; normal for AQL 0.65 to 2.5 and letters A to N; tightened for
these to letter L. The rest, all of the reduced table (MIL-STD-105E, whose rejection
number leaves a gap) and the arrows of the tightened one are from memory;
``SamplingPlan.from_memory`` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from scipy import optimize, special, stats

from harness.errors import UsageError

LETTERS = "ABCDEFGHJKLMNPQR"
AQLS = (0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5)
"""Acceptance quality limits that are offered, nonconforming units per hundred."""

_LARGEST_LOTS = (
    8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000,
)  # fmt: skip
_CODE_LETTERS = {
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
_REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)

_UP, _DOWN = "up", "down"
_Cell = tuple[int, int] | str


class Severity(StrEnum):
    """Kind of inspection."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


# Cells from the letter with 0/1 in the normal table on; before them the arrow points
# down, after them up.
_ROWS: dict[Severity, tuple[_Cell, ...]] = {
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

_LETTER_OF_ZERO = {aql: 9 - place for place, aql in enumerate(AQLS)}
_SEEN_AQLS = (0.65, 1.0, 1.5, 2.5)
_LAST_SEEN = {Severity.NORMAL: "N", Severity.TIGHTENED: "L"}


def severity_of(name: str) -> Severity:
    """The kind of inspection of a name.

    Raises:
        UsageError: there is none.
    """
    try:
        return Severity(name)
    except ValueError as exc:
        raise UsageError(
            f"{name!r} is no kind of inspection", hint=f"use {', '.join(Severity)}"
        ) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """One single sampling plan.

    Attributes:
        size: units to draw and test.
        accept: acceptance number: up to so many bad units the lot is accepted.
        reject: rejection number: from so many on it is rejected.
        letter: code letter of the lot.
        used_letter: letter of the plan after the table's arrows.
        aql: acceptance quality limit, bad units per hundred.
        severity: normal, tightened or reduced.
        lot_size: units in the lot, or None.
        from_memory: True if no copy of the table was at hand for this cell.
    """

    size: int
    accept: int
    reject: int
    letter: str = ""
    used_letter: str = ""
    aql: float = math.nan
    severity: Severity = Severity.NORMAL
    lot_size: int | None = None
    from_memory: bool = False

    @property
    def tests_everything(self) -> bool:
        """True if the sample is the whole lot."""
        return self.lot_size is not None and self.size >= self.lot_size


def code_letter(*, lot_size: int, level: str = "II") -> str:
    """Code letter of a lot (Table I).

    Args:
        lot_size: units, at least two.
        level: general inspection level I, II or III.

    Raises:
        UsageError: a lot of fewer than two, or another level.
    """
    if lot_size < 2:
        raise UsageError("a lot for sampling has at least two units")
    if level not in _CODE_LETTERS:
        raise UsageError(
            f"{level!r} is no inspection level", hint="use I, II (usual) or III"
        )
    row = sum(lot_size > largest for largest in _LARGEST_LOTS)
    return _CODE_LETTERS[level][row]


def plan_for_letter(
    letter: str, *, aql: float, severity: Severity = Severity.NORMAL
) -> SamplingPlan:
    """The plan of a code letter, arrows followed.

    Raises:
        UsageError: a letter or AQL that the tables do not have.
    """
    if letter not in LETTERS or len(letter) != 1:
        raise UsageError(
            f"{letter!r} is no code letter", hint="use A to R without I and O"
        )
    if aql not in _LETTER_OF_ZERO:
        known = ", ".join(f"{a:g}" for a in AQLS)
        raise UsageError(f"the tables have no AQL {aql:g}", hint=f"use one of {known}")
    row, zero = _ROWS[severity], _LETTER_OF_ZERO[aql]
    start = place = LETTERS.index(letter)
    while isinstance(cell := _cell(row, place - zero), str):
        place += 1 if cell is _DOWN else -1
    sizes = _REDUCED_SIZES if severity is Severity.REDUCED else _SIZES
    return SamplingPlan(
        size=sizes[place],
        accept=cell[0],
        reject=cell[1],
        letter=letter,
        used_letter=LETTERS[place],
        aql=aql,
        severity=severity,
        from_memory=_from_memory(severity, aql, max(start, place), start == place),
    )


def plan_for_lot(
    *,
    lot_size: int,
    aql: float,
    level: str = "II",
    severity: Severity = Severity.NORMAL,
) -> SamplingPlan:
    """The plan of a lot; one that would draw the whole lot tests everything.

    Raises:
        UsageError: see ``code_letter`` and ``plan_for_letter``.
    """
    letter = code_letter(lot_size=lot_size, level=level)
    plan = plan_for_letter(letter, aql=aql, severity=severity)
    return replace(plan, size=min(plan.size, lot_size), lot_size=lot_size)


def acceptance_chance(
    plan: SamplingPlan, fraction: float, *, finite: bool = False
) -> float:
    """Chance that a lot is accepted (between the numbers of a reduced plan too).

    Args:
        plan: the plan.
        fraction: share of bad units, 0 to 1.
        finite: reckon with the lot's own size (the share rounded to whole units).

    Raises:
        UsageError: a share outside 0 to 1, or ``finite`` without a lot size.
    """
    if not 0 <= fraction <= 1:
        raise UsageError(f"{fraction:g} is no share of a lot")
    most = plan.reject - 1
    if finite:
        if plan.lot_size is None:
            raise UsageError("the plan does not know its lot's size")
        bad = round(fraction * plan.lot_size)
        return float(stats.hypergeom.cdf(most, plan.lot_size, bad, plan.size))
    if most >= plan.size:
        return 1.0
    return float(special.bdtr(most, plan.size, fraction))


def fraction_accepted_at(plan: SamplingPlan, chance: float) -> float:
    """Share of bad units at which a lot is accepted with a chance (the OC curve, read back).

    Raises:
        UsageError: a chance that is none.
    """
    if not 0 < chance < 1:
        raise UsageError(f"{chance:g} is no chance between 0 and 1")
    if plan.reject > plan.size:
        raise UsageError("this plan accepts every lot")
    return float(
        optimize.brentq(
            lambda p: acceptance_chance(plan, p) - chance, 0.0, 1.0, xtol=1e-12
        )
    )


def curve(plan: SamplingPlan, *, points: int = 101) -> tuple[tuple[float, float], ...]:
    """The OC curve: shares of bad units, and the chance to accept at each.

    It ends where hardly a lot is accepted any more.
    """
    end = min(1.0, 1.3 * fraction_accepted_at(plan, 0.01))
    shares = (end * n / (points - 1) for n in range(points))
    return tuple((share, acceptance_chance(plan, share)) for share in shares)


class LotVerdict(StrEnum):
    """What becomes of the lot."""

    ACCEPTED = "accepted"
    ACCEPTED_THEN_NORMAL = "accepted, but go back to normal inspection"
    REJECTED = "rejected"
    UNFINISHED = "not decided yet"


def judge(plan: SamplingPlan, *, tested: int, bad: int) -> LotVerdict:
    """The verdict after testing.

    A lot with its rejection number reached is rejected at once; it is accepted only
    after the whole sample.

    Raises:
        UsageError: more bad than tested, or more tested than the plan draws.
    """
    if not 0 <= bad <= tested:
        raise UsageError(f"{bad} bad units of {tested} tested cannot be")
    if tested > plan.size:
        raise UsageError(
            f"the plan draws {plan.size} units, {tested} were tested",
            hint="draw at random and stop at the plan's number; picking from more is no sample",
        )
    if bad >= plan.reject:
        return LotVerdict.REJECTED
    if tested < plan.size:
        return LotVerdict.UNFINISHED
    if bad > plan.accept:
        return LotVerdict.ACCEPTED_THEN_NORMAL
    return LotVerdict.ACCEPTED


def _cell(row: tuple[_Cell, ...], offset: int) -> _Cell:
    if offset < 0:
        return _DOWN
    return row[offset] if offset < len(row) else _UP


def _from_memory(severity: Severity, aql: float, last_place: int, direct: bool) -> bool:
    last_seen = _LAST_SEEN.get(severity)
    if last_seen is None or aql not in _SEEN_AQLS:
        return True
    arrow_unseen = severity is Severity.TIGHTENED and not direct
    return arrow_unseen or last_place > LETTERS.index(last_seen)
