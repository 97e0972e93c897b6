"""What `lot need` and `lot claim` say: how many to measure, as reports."""

from __future__ import annotations

from harness.lots.report_table import LotReport
from harness.quality.moments import require_positive
from harness.quality.rates import chance_to_prove, proportion_at_most, trials_needed
from harness.quality.tolerance import free_count
from harness.quality.unit_counts import units_for_difference, units_for_equivalence
from harness.records import Outcome


def need_report(*, margin: float, deviation: float, power: float) -> LotReport:
    """Units of each lot that a comparison needs.

    Args:
        margin: difference of the means that does not matter, in the quantity's unit.
        deviation: standard deviation of a lot, same unit.
        power: chance that equal lots are called equal.

    Raises:
        UsageError: an argument is invalid, or more units are needed than can be measured.
    """
    sigmas = margin / require_positive(deviation, what="the standard deviation")
    equal = units_for_equivalence(margin_sigmas=sigmas, power=power)
    seen = units_for_difference(shift_sigmas=sigmas, power=power)
    free = free_count(coverage=0.95, confidence=0.95, two_sided=True)
    verdict = (
        f"to show with {100 * power:g} % chance that equal lots are equal within "
        f"+-{margin:g}: {equal} units of each lot"
    )
    others = (
        f"to see a shift as large as the margin with the same chance: {seen} of each",
        f"for min and max to enclose 95 % of a lot of any shape at 95 % confidence: {free} units",
    )
    return LotReport(
        question="How many units of each lot does a comparison need?",
        answer=f"{equal} units of each lot",
        outcome=Outcome.SKIPPED,
        verdict=verdict,
        blocks=((verdict, *others),),
    )


def claim_report(
    *, rate: float | None, trials: int, errors: int, confidence: float
) -> LotReport:
    """The error rate that a run demonstrated, and whether it proves a required one.

    Args:
        rate: errors a trial to be claimed, or None.
        trials: that were made.
        errors: among them.
        confidence: of the claim.

    Raises:
        UsageError: numbers that cannot be.
    """
    bound = proportion_at_most(errors=errors, trials=trials, confidence=confidence)
    made = f"{errors} errors in {trials} trials"
    verdict = (
        f"{made}: at {100 * confidence:g} % confidence the rate is at most {bound:.4g}"
    )
    answer, outcome = f"at most {bound:.4g}", Outcome.SKIPPED
    lines: tuple[str, ...] = (verdict,)
    if rate is not None:
        holds = bound <= rate
        answer = f"{rate:g} is {'' if holds else 'not '}demonstrated"
        outcome = Outcome.PASSED if holds else Outcome.FAILED
        lines = (
            verdict,
            f"that {'demonstrates' if holds else 'does not demonstrate'} {rate:g}",
        )
    return LotReport(
        question=f"What do {trials} trials demonstrate?",
        answer=answer,
        outcome=outcome,
        verdict=verdict,
        blocks=(lines,),
    )


def claim_plan_report(*, rate: float, allow: int, confidence: float) -> LotReport:
    """How long to run for a claim.

    Args:
        rate: errors a trial to be claimed.
        allow: errors that may come meanwhile.
        confidence: of the claim.

    Raises:
        UsageError: numbers that cannot be.
    """
    needed = trials_needed(rate=rate, errors_allowed=allow, confidence=confidence)
    passes = chance_to_prove(true_rate=rate / 10, trials=needed, errors_allowed=allow)
    verdict = (
        f"to demonstrate at most {rate:g} at {100 * confidence:g} % confidence, with up to "
        f"{allow} errors: {needed} trials"
    )
    chance = (
        f"a bus ten times better than that passes such a run with {100 * passes:.1f} % "
        "chance"
    )
    return LotReport(
        question=f"How many trials demonstrate at most {rate:g} errors a trial?",
        answer=f"{needed} trials",
        outcome=Outcome.SKIPPED,
        verdict=verdict,
        blocks=((verdict, chance),),
    )
