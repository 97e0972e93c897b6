"""`slotproof lot sample`, `need` and `claim`: how many to test, what is shown."""

from __future__ import annotations

from pathlib import Path

from harness.commands.declared.style import OutputStyle
from harness.commands.lots.output import facts_of, leave
from harness.commands.lots.values import EXIT_NO
from harness.errors import UsageError
from harness.lots.tables.before import claim_plan_report, claim_report, need_report
from harness.lots.tables.sampling import sampling_report
from harness.quality.sampling import verdict as sampling
from harness.results.plots.lots import Figures, oc_figures


def sample(
    *,
    size: int,
    aql: float | None,
    limit: float | None,
    accept_zero: bool,
    confidence: float,
    level: str,
    standard: str,
    severity: str,
    tested: int | None,
    bad: int | None,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """How many units of a lot to test, and after the test the verdict on the lot."""
    _require_matching_options(tested=tested, bad=bad, aql=aql, limit=limit)
    by_aql: dict[str, str] = {}
    plan = None
    if aql is not None:
        by_aql = {"level": level, "severity": severity, "standard": standard}
        plan = sampling.plan_for_lot(
            lot_size=size,
            aql=aql,
            level=level,
            severity=sampling.severity_of(severity),
            standard=sampling.standard_of(standard),
        )
        if accept_zero:
            limit = 100 * sampling.fraction_accepted_at(plan, 0.1)
    if plan is None or accept_zero:
        assert limit is not None
        plan = sampling.zero_acceptance_plan(
            lot_size=size, limit=limit, confidence=confidence
        )
    report = sampling_report(plan, tested=tested, bad=bad)
    facts = facts_of(
        size=size,
        aql=aql,
        limiting_quality=limit,
        accept_zero="yes" if accept_zero else "",
        **by_aql,
        confidence=None if limit is None else confidence,
        tested=tested,
        bad=bad,
    )
    return leave(
        report,
        _figures(plan, aql),
        facts,
        into=into,
        name=f"sample-{size}",
        style=style,
        code=0 if tested is None or report.says_yes else EXIT_NO,
    )


def _require_matching_options(
    *, tested: int | None, bad: int | None, aql: float | None, limit: float | None
) -> None:
    if (tested is None) != (bad is None):
        raise UsageError("--tested and --bad go together")
    if (aql is None) == (limit is None):
        raise UsageError("give either --aql or --limit")


def _figures(plan: sampling.SamplingPlan, aql: float | None) -> Figures:
    """The operating characteristic; none where every unit is tested."""
    if plan.tests_everything:
        return {}
    marks = {} if aql is None else {f"AQL {aql:g} %": aql / 100}
    marks["accepted one time in ten"] = sampling.fraction_accepted_at(plan, 0.1)
    title = f"draw {plan.size}, accept up to {plan.accept}, reject from {plan.reject}"
    return oc_figures(sampling.curve(plan), marks=marks, title=title)


def need(
    *,
    margin: float,
    standard_deviation: float,
    power: float,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """How many units of each lot a comparison needs, before any is measured."""
    report = need_report(margin=margin, deviation=standard_deviation, power=power)
    facts = facts_of(margin=margin, standard_deviation=standard_deviation, power=power)
    return leave(report, {}, facts, into=into, name="need", style=style)


def claim(
    *,
    rate: float | None,
    allow: int,
    trials: int | None,
    errors: int,
    confidence: float,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Trials that demonstrate an error rate, or the rate that a run demonstrated."""
    if trials is not None:
        report = claim_report(
            rate=rate, trials=trials, errors=errors, confidence=confidence
        )
    elif rate is not None:
        report = claim_plan_report(rate=rate, allow=allow, confidence=confidence)
    else:
        raise UsageError(
            "nothing is asked", hint="give --rate before a run, --trials after it"
        )
    facts = facts_of(
        rate=rate, allow=allow, trials=trials, errors=errors, confidence=confidence
    )
    judged = trials is not None and rate is not None
    code = EXIT_NO if judged and not report.says_yes else 0
    return leave(report, {}, facts, into=into, name="claim", style=style, code=code)
