"""What `lot sample` says: the sample to draw and what it lets through, as a sheet."""

from __future__ import annotations

from harness.lots.sheet import Block, Row, Sheet, Table
from harness.quality.sampling import (
    LotVerdict,
    SamplingPlan,
    acceptance_chance,
    fraction_accepted_at,
    judge,
)
from harness.records import Outcome


def sampling_sheet(
    plan: SamplingPlan, *, tested: int | None = None, bad: int | None = None
) -> Sheet:
    """The plan and what it lets through; after the test the verdict on the lot.

    Raises:
        UsageError: see ``judge``.
    """
    head = [
        f"draw {plan.size} units at random of {plan.lot_size}, test them all",
        f"accept the lot with up to {plan.accept} bad, reject it from {plan.reject} on",
        f"AQL {plan.aql:g} %, {plan.severity} inspection, letter {plan.letter}"
        + ("" if plan.letter == plan.used_letter else f" (plan of {plan.used_letter})"),
    ]
    if plan.from_memory:
        head.append(
            "this cell of the tables is from memory: compare with your own copy first"
        )
    verdict = "the sample is the whole lot: every unit is tested"
    blocks: list[Block] = [(*head, verdict)]
    if not plan.tests_everything:
        worst = 100 * fraction_accepted_at(plan, 0.1)
        verdict = (
            f"an accepted lot shows, 90 % sure, no more than {worst:.2f} % bad units; "
            "the AQL belongs to a series of lots and promises nothing of a single one"
        )
        blocks = [head, (_chances(plan),), (verdict,)]
    answer, outcome = f"draw {plan.size}, accept up to {plan.accept}", Outcome.SKIPPED
    if tested is not None and bad is not None:
        found = judge(plan, tested=tested, bad=bad)
        answer, outcome = str(found), _OF_A_SAMPLE[found]
        verdict = f"{bad} bad of {tested} tested: the lot is {found}"
        blocks.append((verdict,))
    return Sheet(
        question=f"How many units of a lot of {plan.lot_size} to test?",
        answer=answer,
        outcome=outcome,
        verdict=verdict,
        blocks=tuple(blocks),
    )


_OF_A_SAMPLE = {
    LotVerdict.ACCEPTED: Outcome.PASSED,
    LotVerdict.ACCEPTED_THEN_NORMAL: Outcome.PASSED,
    LotVerdict.REJECTED: Outcome.FAILED,
    LotVerdict.UNFINISHED: Outcome.SKIPPED,
}


def _chances(plan: SamplingPlan) -> Table:
    at_aql = acceptance_chance(plan, plan.aql / 100)
    rows: list[Row] = [("bad units in the lot, %", "chance to accept, %")]
    rows.append((f"{plan.aql:.3f}", f"{100 * at_aql:.2f}"))
    rows += [
        (f"{100 * fraction_accepted_at(plan, c):.3f}", f"{100 * c:.2f}")
        for c in (0.95, 0.5, 0.1)
    ]
    return Table(rows=tuple(rows))
