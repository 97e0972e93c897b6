"""What the lot commands say: tables and a verdict sentence, as sheets."""

from __future__ import annotations

from collections.abc import Sequence

from harness.lots.judgement import LotComparison, LotSummary, LotVerdict
from harness.lots.sheet import Block, Row, Sheet, Table
from harness.quality.capability import Capability, Indices
from harness.quality.charts import FEW_FOR_LIMITS, ChartLimits, RuleSet, Signal
from harness.quality.gauge import GaugeStudy, GaugeVerdict, GoldenCheck
from harness.quality.guard import GuardedLimits, Proof, uncertainty_ratio
from harness.quality.sampling import LotVerdict as SampleVerdict
from harness.quality.sampling import (
    SamplingPlan,
    acceptance_chance,
    fraction_accepted_at,
    judge,
)
from harness.quality.tolerance import ToleranceInterval
from harness.records import Outcome
from harness.results.wording import number_text, one_line

_TOO_ALIKE = 0.5
"""Neighbours correlated more than this make control limits too narrow (common
practice, no source)."""

_FEW_FOR_INDEX = 25
"""Below so many units the interval of Ppk is rough (from memory)."""

_MOST_SIGNALS = 30
"""Signals listed one by one."""


def _lots(lots: Sequence[LotSummary]) -> Block:
    """Each lot in a row, and the units to look at."""
    rows: list[Row] = [
        ("lot", "units", "readings", "void", "mean", "deviation", "least", "most",
         "unit", "outside", "strangers"),
    ]  # fmt: skip
    for found in lots:
        numbers = found.lot.numbers
        rows.append(
            (
                found.lot.name,
                str(found.moments.count),
                str(len(found.lot.readings)),
                str(found.lot.void),
                number_text(found.moments.mean),
                number_text(found.moments.deviation),
                number_text(min(numbers)),
                number_text(max(numbers)),
                found.lot.unit or "-",
                str(len(found.outside)),
                str(len(found.strangers)),
            )
        )
    named: list[str] = []
    for found in lots:
        named += _named("outside the limits", found.outside, found)
        named += _named("does not belong to it", found.strangers, found)
    return (Table(rows=tuple(rows)), *named)


def _named(why: str, devices: Sequence[str], found: LotSummary) -> list[str]:
    return [
        one_line(
            f"{found.lot.name}: {device} {number_text(found.lot.values[device])} "
            f"{found.lot.unit} {why}"
        )
        for device in devices
    ]


_OUTCOMES = {
    LotVerdict.AS_GOOD: Outcome.PASSED,
    LotVerdict.NOT_AS_GOOD: Outcome.FAILED,
    LotVerdict.UNDECIDED: Outcome.SKIPPED,
}


def comparison_sheet(found: LotComparison) -> Sheet:
    """Lots, tests, verdict."""
    unit = found.candidate.lot.unit
    rows: list[Row] = [("question", "answer", "between", "p")]
    rows.append(
        (
            f"difference of the means, {unit or '-'}",
            number_text(found.mean.difference),
            f"{number_text(found.mean.low)} .. {number_text(found.mean.high)}",
            f"{found.mean.p:.4g}",
        )
    )
    rows.append(
        (
            f"equal within +-{number_text(found.equal.margin)}",
            str(found.equal.verdict),
            f"{number_text(found.equal.low)} .. {number_text(found.equal.high)}",
            f"{found.equal.p:.4g}",
        )
    )
    if found.effect is not None:
        rows.append(("the same in deviations", f"{found.effect:.4f}", "-", "-"))
    if found.tolerance_share is not None:
        share = f"{100 * found.tolerance_share:.2f} %"
        rows.append(("the same over the tolerance", share, "-", "-"))
    if found.spread is not None:
        rows.append(
            (
                "ratio of the spreads",
                f"{found.spread.ratio:.4f}",
                f"{found.spread.low:.4f} .. {found.spread.high:.4f}",
                f"{found.spread.levene_p:.4g}",
            )
        )
    distance, p = found.shape
    rows.append(("distance of the shapes", f"{distance:.4f}", "-", f"{p:.4g}"))
    quantity = found.candidate.lot.quantity
    return Sheet(
        question=f"Is the new lot as good as the old one in {quantity}?",
        answer=str(found.verdict),
        outcome=_OUTCOMES[found.verdict],
        verdict=found.sentence,
        blocks=(
            _lots([found.baseline, found.candidate]),
            (Table(rows=tuple(rows)),),
            (found.sentence,),
        ),
    )


def capability_sheet(
    lot: LotSummary,
    found: Capability,
    interval: ToleranceInterval,
    guarded: GuardedLimits | None,
    *,
    wanted: float,
) -> Sheet:
    """Lot, indices, tolerance interval, guard band, verdict."""
    rows: list[Row] = [("index", "value", f"{100 * found.confidence:g} % between")]
    if found.overall is not None:
        rows += _index_rows(found.overall, found, ("Pp", "Ppk", "Ppm"))
    if found.within is not None:
        rows += _plain_rows(found.within, ("Cp", "Cpk", "Cpm"))
    if found.percentiles is not None:
        rows.append(("Ppk from percentiles", f"{found.percentiles:.4f}", "-"))
    verdict = _capability_sentence(found, wanted)
    said = [_tolerance_sentence(interval, lot.lot.unit)]
    if guarded is not None:
        said.append(_guard_sentence(guarded, lot))
    said.append(verdict)
    if lot.moments.count < _FEW_FOR_INDEX:
        said.append(f"fewer than {_FEW_FOR_INDEX} units: these intervals are rough.")
    answer, outcome = f"Ppk {wanted:g} is not proved", Outcome.FAILED
    if found.worst_at_least is None:
        answer = "cannot be told"
    elif found.worst_at_least >= wanted:
        answer, outcome = f"Ppk {wanted:g} is proved", Outcome.PASSED
    return Sheet(
        question=f"How does {lot.lot.quantity} sit between its limits?",
        answer=answer,
        outcome=outcome,
        verdict=verdict,
        blocks=(_lots([lot]), (Table(rows=tuple(rows)),), tuple(said)),
    )


def _index_rows(
    indices: Indices, found: Capability, names: tuple[str, str, str]
) -> list[Row]:
    rows = _plain_rows(indices, names)
    ends = {names[0]: found.overall_interval, names[1]: found.worst_interval}
    return [
        (name, value, f"{pair[0]:.4f} .. {pair[1]:.4f}" if pair else "-")
        for name, value, _ in rows
        for pair in [ends.get(name)]
    ]


def _plain_rows(indices: Indices, names: tuple[str, str, str]) -> list[Row]:
    values = (indices.cp, indices.cpk, indices.cpm)
    return [
        (name, f"{value:.4f}", "-")
        for name, value in zip(names, values, strict=True)
        if value is not None
    ]


def _tolerance_sentence(interval: ToleranceInterval, unit: str) -> str:
    ends = {
        "at least": interval.low,
        "at most": interval.high,
    }
    held = " and ".join(
        f"{word} {number_text(end)}" for word, end in ends.items() if end is not None
    )
    return one_line(
        f"{100 * interval.confidence:g} % sure: {100 * interval.coverage:g} % of such "
        f"units are {held} {unit}, if the lot is normal."
    )


def _guard_sentence(guarded: GuardedLimits, lot: LotSummary) -> str:
    proofs = [guarded.judge(value) for value in lot.lot.numbers]
    counts = ", ".join(f"{proofs.count(proof)} {proof}" for proof in Proof)
    ends = " .. ".join(
        "none" if end is None else number_text(end)
        for end in (guarded.accept_low, guarded.accept_high)
    )
    return one_line(
        f"with a guard band of {number_text(guarded.guard)} units are accepted in "
        f"{ends} {lot.lot.unit}: {counts}.{_ratio_words(guarded)}"
    )


def _ratio_words(guarded: GuardedLimits) -> str:
    if guarded.low is None or guarded.high is None:
        return ""
    ratio = uncertainty_ratio(
        low=guarded.low, high=guarded.high, expanded=guarded.expanded
    )
    return (
        f" The limits are {ratio:.1f} times as wide as the uncertainty (+-U); 4 is the "
        "customary least."
    )


def _capability_sentence(found: Capability, wanted: float) -> str:
    if found.overall is None or found.worst_at_least is None:
        return f"capability cannot be told: {found.why_not}."
    proof = "proves" if found.worst_at_least >= wanted else "does not prove"
    text = (
        f"{100 * found.confidence:g} % sure: Ppk is at least {found.worst_at_least:.2f}"
        f", which {proof} {wanted:g}; a normal lot would have {found.fallout_ppm:.4g} "
        "ppm outside."
    )
    if found.percentiles is not None:
        text += (
            f" The lot is not normal (p {found.normal_p:.2g}): neither that share nor "
            "the tolerance interval holds; look at the probability plot."
        )
    return text


def chart_sheet(
    values: Sequence[float],
    limits: ChartLimits,
    found: Sequence[Signal],
    *,
    rules: RuleSet,
    quantity: str,
    unit: str,
    baseline: int,
    neighbours: float,
) -> Sheet:
    """Limits, signals, verdict."""
    rows: list[Row] = [("reading", f"value, {unit or '-'}", "rule broken")]
    rows += [
        (str(s.place + 1), number_text(values[s.place]), s.rule)
        for s in found[:_MOST_SIGNALS]
    ]
    blocks: list[Block] = [
        (
            f"centre {number_text(limits.centre)}, limits {number_text(limits.low)} .. "
            f"{number_text(limits.high)} {unit}, from the first {baseline} readings; "
            f"rules: {rules}",
        )
    ]
    if found:
        left = len(found) - _MOST_SIGNALS
        more = (f"and {left} more",) if left > 0 else ()
        blocks.append((Table(rows=tuple(rows)), *more))
    state = (
        f"{len(found)} signals: the process changed, or its limits do not fit."
        if found
        else "no signal: nothing speaks against one and the same process."
    )
    if baseline < FEW_FOR_LIMITS:
        state += f" Limits from fewer than {FEW_FOR_LIMITS} readings are rough."
    if neighbours > _TOO_ALIKE:
        state += (
            f" Neighbours are alike (correlation {neighbours:.2f}): readings follow too "
            "fast on each other for these limits."
        )
    return Sheet(
        question=f"Is the process the same all along in {quantity}?",
        answer=f"{len(found)} signals" if found else "no signal",
        outcome=Outcome.FAILED if found else Outcome.PASSED,
        verdict=state,
        blocks=(*blocks, (state,)),
    )


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
    SampleVerdict.ACCEPTED: Outcome.PASSED,
    SampleVerdict.ACCEPTED_THEN_NORMAL: Outcome.PASSED,
    SampleVerdict.REJECTED: Outcome.FAILED,
    SampleVerdict.UNFINISHED: Outcome.SKIPPED,
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


def gauge_sheet(found: GaugeStudy, *, unit: str) -> Sheet:
    """Table of variances, parts of the spread, verdict."""
    rows: list[Row] = [("source", "degrees", "squares", "mean square", "F", "p")]
    for row in found.rows:
        rows.append(
            (
                row.source,
                str(row.degrees),
                number_text(row.squares),
                number_text(row.mean_square),
                "-" if row.f is None else f"{row.f:.3f}",
                "-" if row.p is None else f"{row.p:.4g}",
            )
        )
    parts = {
        "repeatability": found.repeatability,
        "reproducibility": found.reproducibility,
        "gauge": found.gauge,
        "parts": found.part,
        "total": found.total,
    }
    shares: list[Row] = [("spread", f"deviation, {unit or '-'}", "of total, %")]
    shares += [
        (name, number_text(value), f"{100 * value / found.total:.2f}")
        for name, value in parts.items()
    ]
    pooled = "counted as repeatability" if found.pooled else "kept apart"
    classes = "any number of" if found.classes is None else str(found.classes)
    judged_by = "the spread of these parts"
    share = found.gauge_of_total
    if found.gauge_of_tolerance is not None:
        judged_by, share = "the tolerance", found.gauge_of_tolerance
    verdict = (
        f"the gauge is {found.verdict}: it takes {100 * share:.1f} % of {judged_by} "
        f"(below 10 % good, above 30 % not acceptable) and tells {classes} kinds of "
        "parts apart (5 wanted)."
    )
    bad = found.verdict is GaugeVerdict.BAD
    return Sheet(
        question=f"Can the gauge tell {found.parts} parts apart on {found.stations} "
        "stations?",
        answer=str(found.verdict),
        outcome=Outcome.FAILED if bad else Outcome.PASSED,
        verdict=verdict,
        blocks=(
            (Table(rows=tuple(rows)), f"interaction of part and station: {pooled}"),
            (Table(rows=tuple(shares)),),
            (verdict,),
        ),
    )


def golden_sheet(found: GoldenCheck, *, quantity: str, unit: str) -> Sheet:
    """Bias, indices, verdict."""
    indices = (
        "no scatter, so no index"
        if found.cg is None or found.cgk is None
        else f"Cg {found.cg:.4f}, Cgk {found.cgk:.4f}, wanted {found.wanted:g}"
    )
    answer = "good enough" if found.holds else "not good enough"
    verdict = f"the fixture is {answer} to judge by this tolerance."
    lines = [
        f"{found.readings.count} readings, mean {number_text(found.readings.mean)}, "
        f"deviation {number_text(found.readings.deviation)} {unit}",
        f"bias {number_text(found.bias)} {unit} (95 % sure {number_text(found.bias_low)} "
        f"to {number_text(found.bias_high)}); {indices}",
        verdict,
    ]
    if found.readings.count < 25:
        lines.append("fewer than 25 readings: take 50 before you rely on it.")
    return Sheet(
        question=f"Does the fixture read {quantity} of a golden unit right?",
        answer=answer,
        outcome=Outcome.PASSED if found.holds else Outcome.FAILED,
        verdict=verdict,
        blocks=(lines,),
    )
