"""Acceptance sampling by attributes: which plan, what it lets through, the verdict.

Single sampling plans of ``sampling_plans``, and plans with acceptance number zero for a
limiting quality. Above AQL 10 nonconformities are counted, of which a unit may have
several: chances are then those of Poisson instead of the binomial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from harness.errors import UsageError
from harness.lazy import optimize, special, stats
from harness.quality.moments import require_fraction
from harness.quality.sampling.plans import (
    AQLS,
    CODE_LETTERS,
    LARGEST_LOTS,
    LETTERS,
    MOST_PERCENT,
    SEEN_LEVELS,
    Severity,
    Standard,
    look_up,
)


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


def standard_of(name: str) -> Standard:
    """The standard of a name.

    Raises:
        UsageError: there is none.
    """
    try:
        return Standard(name)
    except ValueError as exc:
        raise UsageError(
            f"{name!r} is no standard of sampling", hint=f"use {' or '.join(Standard)}"
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
        standard: whose table, or None for a plan of another origin.
        limit: limiting quality of a zero-acceptance plan, bad units per hundred.
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
    standard: Standard | None = None
    limit: float = math.nan

    @property
    def counts_nonconformities(self) -> bool:
        """True if nonconformities are counted, False if bad units are."""
        return self.aql > MOST_PERCENT

    @property
    def tests_everything(self) -> bool:
        """True if the sample is the whole lot."""
        return self.lot_size is not None and self.size >= self.lot_size


def code_letter(*, lot_size: int, level: str = "II") -> str:
    """Code letter of a lot (Table I).

    Args:
        lot_size: units, at least two.
        level: general inspection level I, II or III, special level S-1 to S-4.

    Raises:
        UsageError: a lot of fewer than two, or another level.
    """
    if lot_size < 2:
        raise UsageError("a lot for sampling has at least two units")
    if level not in CODE_LETTERS:
        raise UsageError(
            f"{level!r} is no inspection level",
            hint="use I, II (usual), III, or S-1 to S-4 for tests that are dear",
        )
    row = sum(lot_size > largest for largest in LARGEST_LOTS)
    return CODE_LETTERS[level][row]


def plan_for_letter(
    letter: str,
    *,
    aql: float,
    severity: Severity = Severity.NORMAL,
    standard: Standard = Standard.ISO,
) -> SamplingPlan:
    """The plan of a code letter, arrows followed.

    Raises:
        UsageError: a letter or AQL that the tables do not have.
    """
    if letter not in LETTERS or len(letter) != 1:
        raise UsageError(
            f"{letter!r} is no code letter", hint="use A to R without I and O"
        )
    if aql not in AQLS:
        known = ", ".join(f"{a:g}" for a in AQLS)
        raise UsageError(f"the tables have no AQL {aql:g}", hint=f"use one of {known}")
    found = look_up(letter, aql=aql, severity=severity, standard=standard)
    return SamplingPlan(
        size=found.size,
        accept=found.accept,
        reject=found.reject,
        letter=letter,
        used_letter=found.letter,
        aql=aql,
        severity=severity,
        from_memory=found.from_memory,
        standard=standard,
    )


def plan_for_lot(
    *,
    lot_size: int,
    aql: float,
    level: str = "II",
    severity: Severity = Severity.NORMAL,
    standard: Standard = Standard.ISO,
) -> SamplingPlan:
    """The plan of a lot; one that would draw the whole lot tests everything.

    Raises:
        UsageError: see ``code_letter`` and ``plan_for_letter``.
    """
    letter = code_letter(lot_size=lot_size, level=level)
    plan = plan_for_letter(letter, aql=aql, severity=severity, standard=standard)
    return replace(
        plan,
        size=min(plan.size, lot_size),
        lot_size=lot_size,
        from_memory=plan.from_memory or level not in SEEN_LEVELS,
    )


def zero_acceptance_plan(
    *, lot_size: int, limit: float, confidence: float = 0.9
) -> SamplingPlan:
    """The smallest sample that no lot of the limiting quality passes but by chance.

    The lot is accepted if the sample has no bad unit. A lot with that many bad units per
    hundred, or more, is accepted with a chance of 1 - confidence at most, by the exact
    (hypergeometric) chance for its size.

    Args:
        lot_size: units, at least two.
        limit: limiting quality, bad units per hundred, above 0 and below 100.
        confidence: chance to reject such a lot, at least.

    Raises:
        UsageError: an argument that is none.
    """
    if lot_size < 2:
        raise UsageError("a lot for sampling has at least two units")
    require_fraction(limit / 100, what="the limiting quality (in percent, over 100)")
    require_fraction(confidence, what="the confidence")
    bad = math.ceil(round(limit / 100 * lot_size, 9))
    low, high = 1, lot_size - bad + 1
    allowed = 1 - confidence + 1e-12  # 0.1 comes out as 0.09999999999999998
    while low < high:
        size = (low + high) // 2
        if stats.hypergeom.pmf(0, lot_size, bad, size) <= allowed:
            high = size
        else:
            low = size + 1
    return SamplingPlan(size=low, accept=0, reject=1, lot_size=lot_size, limit=limit)


def acceptance_chance(
    plan: SamplingPlan, fraction: float, *, finite: bool = False
) -> float:
    """Chance that a lot is accepted (between the numbers of a reduced plan too).

    Args:
        plan: the plan.
        fraction: share of bad units, 0 to 1; nonconformities a unit where those count.
        finite: reckon with the lot's own size (the share rounded to whole units).

    Raises:
        UsageError: a share outside 0 to 1, or ``finite`` without a lot size.
    """
    most = plan.reject - 1
    if plan.counts_nonconformities and fraction >= 0:
        return float(special.pdtr(most, plan.size * fraction))
    if not 0 <= fraction <= 1:
        raise UsageError(f"{fraction:g} is no share of a lot")
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
    end = 1.0
    if plan.counts_nonconformities:
        end = float(special.gammainccinv(plan.reject, chance)) / plan.size + 1
    elif plan.reject > plan.size:
        raise UsageError("this plan accepts every lot")
    return float(
        optimize.brentq(
            lambda p: acceptance_chance(plan, p) - chance, 0.0, end, xtol=1e-12
        )
    )


def curve(plan: SamplingPlan, *, points: int = 101) -> tuple[tuple[float, float], ...]:
    """The OC curve: shares of bad units, and the chance to accept at each.

    It ends where hardly a lot is accepted any more.
    """
    end = 1.3 * fraction_accepted_at(plan, 0.01)
    if not plan.counts_nonconformities:
        end = min(1.0, end)
    shares = (end * n / (points - 1) for n in range(points))
    return tuple((share, acceptance_chance(plan, share)) for share in shares)


class SamplingVerdict(StrEnum):
    """What becomes of the lot."""

    ACCEPTED = "accepted"
    ACCEPTED_THEN_NORMAL = "accepted, but go back to normal inspection"
    REJECTED = "rejected"
    UNFINISHED = "not decided yet"


def judge(plan: SamplingPlan, *, tested: int, bad: int) -> SamplingVerdict:
    """The verdict after testing.

    A lot with its rejection number reached is rejected at once; it is accepted only
    after the whole sample.

    Raises:
        UsageError: more bad than tested, or more tested than the plan draws.
    """
    if bad < 0 or tested < 0 or (bad > tested and not plan.counts_nonconformities):
        raise UsageError(f"{bad} bad units of {tested} tested cannot be")
    if tested > plan.size:
        raise UsageError(
            f"the plan draws {plan.size} units, {tested} were tested",
            hint="draw at random and stop at the plan's number; picking from more is no sample",
        )
    if bad >= plan.reject:
        return SamplingVerdict.REJECTED
    if tested < plan.size:
        return SamplingVerdict.UNFINISHED
    if bad > plan.accept:
        return SamplingVerdict.ACCEPTED_THEN_NORMAL
    return SamplingVerdict.ACCEPTED
