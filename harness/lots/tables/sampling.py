"""What `lot sample` says: the sample size and the quality that it accepts, as a report."""

from __future__ import annotations

import math

from harness.lots.report_table import Block, LotReport, ReportTable, Row
from harness.quality.sampling.plans import Severity, Standard
from harness.quality.sampling.verdict import (
    SamplingPlan,
    SamplingVerdict,
    acceptance_chance,
    fraction_accepted_at,
    judge,
)
from harness.records import Outcome


def sampling_report(
    plan: SamplingPlan, *, tested: int | None = None, bad: int | None = None
) -> LotReport:
    """The plan and the quality that it accepts; after the test the verdict on the lot.

    Raises:
        UsageError: see ``judge``.
    """
    head = [
        f"sample size {plan.size}, drawn at random of {plan.lot_size} units; test each",
        f"accept the lot with up to {plan.accept} {_what(plan)}, reject it from "
        f"{plan.reject} on",
        *_origin(plan),
    ]
    verdict = "the sample is the whole lot: every unit is tested"
    blocks: list[Block] = [(*head, verdict)]
    if not plan.tests_everything:
        verdict = _promise(plan)
        blocks = [head, (_chances(plan),), (verdict,)]
    answer = f"sample size {plan.size}, accept up to {plan.accept}"
    outcome = Outcome.SKIPPED
    if tested is not None and bad is not None:
        found = judge(plan, tested=tested, bad=bad)
        answer, outcome = str(found), _OF_A_SAMPLE[found]
        verdict = f"{bad} {_what(plan)} of {tested} tested: the lot is {found}"
        blocks.append((verdict,))
    return LotReport(
        question=f"How many units of a lot of {plan.lot_size} to test?",
        answer=answer,
        outcome=outcome,
        verdict=verdict,
        blocks=tuple(blocks),
    )


_OF_A_SAMPLE = {
    SamplingVerdict.ACCEPTED: Outcome.PASSED,
    SamplingVerdict.ACCEPTED_THEN_NORMAL: Outcome.PASSED,
    SamplingVerdict.REJECTED: Outcome.FAILED,
    SamplingVerdict.UNFINISHED: Outcome.SKIPPED,
}


def _promise(plan: SamplingPlan) -> str:
    """What an accepted lot shows."""
    if not math.isnan(plan.limit):
        chance = 100 * acceptance_chance(plan, plan.limit / 100, finite=True)
        return (
            f"a lot with {plan.limit:.4g} % bad units or more is accepted with a chance "
            f"of {chance:.3g} % at most"
        )
    worst = 100 * fraction_accepted_at(plan, 0.1)
    return (
        f"an accepted lot has at most {worst:.2f} {_per(plan)} at 90 % confidence; the "
        "AQL belongs to a series of lots and promises nothing of a single one"
    )


def _what(plan: SamplingPlan) -> str:
    return "nonconformities" if plan.counts_nonconformities else "bad"


def _per(plan: SamplingPlan) -> str:
    if plan.counts_nonconformities:
        return "nonconformities per hundred units"
    return "% bad units"


def _origin(plan: SamplingPlan) -> list[str]:
    """Where the plan comes from, and what of that is from memory."""
    if not math.isnan(plan.limit):
        return [
            f"zero-acceptance plan (c = 0) for a limiting quality of {plan.limit:.4g} % "
            "bad units: computed, exact for this size of lot"
        ]
    said = [
        f"AQL {plan.aql:g} {'nonconformities per hundred units' if plan.counts_nonconformities else '%'}"
        f", {plan.severity} inspection, code letter {plan.letter}"
        + (
            ""
            if plan.letter == plan.used_letter
            else f" (plan of {plan.used_letter} used)"
        )
    ]
    if plan.severity is Severity.REDUCED:
        said.append(_REDUCED[plan.standard or Standard.ISO])
    else:
        said.append("table of ISO 2859-1:1999 and of MIL-STD-105E, which agree here")
    if plan.severity is not Severity.TIGHTENED:
        said.append(_SWITCHING)
    if plan.from_memory:
        said.append(
            "this cell of the tables is from memory: compare with your own copy first"
        )
    return said


_REDUCED = {
    Standard.ISO: "table of ISO 2859-1:1999, without the gap that MIL-STD-105E has between "
    "acceptance and rejection number",
    Standard.MIL: "table of MIL-STD-105E; between acceptance and rejection number the lot is "
    "accepted and normal inspection comes back (ISO 2859-1:1999 has no such gap)",
}

_SWITCHING = (
    "to reduced inspection: ISO 2859-1:1999 by a switching score of 30, MIL-STD-105E after "
    "10 accepted lots and a limit number (rules as remembered)"
)


def _chances(plan: SamplingPlan) -> ReportTable:
    rows: list[Row] = [(f"in the lot, {_per(plan)}", "chance to accept, %")]
    if math.isnan(plan.limit):
        at_aql = acceptance_chance(plan, plan.aql / 100)
        rows.append((f"{plan.aql:.3f}", f"{100 * at_aql:.2f}"))
    else:
        at_limit = acceptance_chance(plan, plan.limit / 100, finite=True)
        rows.append((f"{plan.limit:.3f}", f"{100 * at_limit:.2f}"))
    rows += [
        (f"{100 * fraction_accepted_at(plan, c):.3f}", f"{100 * c:.2f}")
        for c in (0.95, 0.5, 0.1)
        if c > 0.1 or math.isnan(plan.limit)
    ]
    return ReportTable(rows=tuple(rows))
