"""What the gauge studies say: tables and a verdict, as reports."""

from __future__ import annotations

import math

from harness.lots.report_table import LotReport, ReportTable, Row
from harness.quality.gauges.gauge import GaugeStudy, GaugeVerdict
from harness.quality.gauges.reference_study import (
    Bias,
    BiasVerdict,
    GoldenCheck,
    GoldenVerdict,
    Linearity,
)
from harness.records import Outcome
from harness.results.wording import number_text


def gauge_report(found: GaugeStudy, *, unit: str) -> LotReport:
    """Table of variances, parts of the spread, verdict."""
    rows: list[Row] = [("source", "df", "SS", "mean square", "F", "p")]
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
    pooled = "counted as repeatability" if found.pooled else "kept apart"
    judged_by, share = "the spread of these devices", found.gauge_of_total
    if found.gauge_of_tolerance is not None:
        judged_by, share = "the tolerance", found.gauge_of_tolerance
    reasons = f": {'; '.join(found.reasons)}" if found.reasons else ""
    verdict = (
        f"the gauge is {found.verdict}: it takes {100 * share:.1f} % of {judged_by} "
        f"({_confidence(found)} each: at least {100 * found.share_low:.1f} %, at most "
        f"{100 * found.share_high:.1f} %; below 10 % good, above 30 % not acceptable)"
        f"{reasons}."
    )
    notes = []
    if found.step:
        notes.append(
            f"Readings come in steps of {found.step:.4g} {unit}".rstrip()
            + f"{_step_share(found, judged_by)}."
        )
    notes.append(
        f"The verdict is on these {found.stations} stations; others were not studied."
    )
    return LotReport(
        question=f"Does the gauge discriminate {found.parts} devices on {found.stations} "
        "stations?",
        answer=str(found.verdict),
        outcome=_OF_A_GAUGE[found.verdict],
        verdict=verdict,
        blocks=(
            (
                ReportTable(rows=tuple(rows)),
                f"interaction of device and station: {pooled}",
            ),
            (_shares(found, unit),),
            (verdict,),
        ),
        notes=tuple(notes),
    )


_OF_A_GAUGE = {
    GaugeVerdict.GOOD: Outcome.PASSED,
    GaugeVerdict.CONDITIONAL: Outcome.SKIPPED,
    GaugeVerdict.UNDECIDED: Outcome.SKIPPED,
    GaugeVerdict.BAD: Outcome.FAILED,
}


def _step_share(found: GaugeStudy, judged_by: str) -> str:
    """What the step alone takes; empty where a reason of the verdict says so already."""
    share = f"takes {100 * found.step_share:.1f} %"
    if any(share in reason for reason in found.reasons):
        return ""
    return f": the step alone {share} of {judged_by}"


def _confidence(found: GaugeStudy) -> str:
    return f"{100 * found.interval.confidence:g} % confidence"


def _shares(found: GaugeStudy, unit: str) -> ReportTable:
    """Each part of the spread, and the ends of what is judged."""
    interval = found.interval
    rows: list[Row] = [
        (
            "spread",
            f"standard deviation, {unit or '-'}",
            "of total, %",
            f"at least, {_confidence(found)}",
            "at most",
        )
    ]
    spreads = {
        "repeatability": found.repeatability,
        "reproducibility": found.reproducibility,
        "gauge": found.gauge,
        "devices": found.part,
        "total": found.total,
    }
    for name, value in spreads.items():
        ends = (number_text(interval.low), number_text(interval.high))
        rows.append(
            (
                name,
                number_text(value),
                f"{100 * value / found.total:.2f}",
                *(ends if name == "gauge" else ("-", "-")),
            )
        )
    shares = (
        f"{100 * s:.2f} %" for s in (interval.of_total_low, interval.of_total_high)
    )
    rows.append(("gauge of total", "-", f"{100 * found.gauge_of_total:.2f}", *shares))
    classes = "-" if found.classes is None else str(found.classes)
    least = interval.classes_low
    rows.append(
        (
            "number of distinct categories (ndc)",
            classes,
            "-",
            str(math.floor(least)) if math.isfinite(least) else "-",
            "-",
        )
    )
    return ReportTable(rows=tuple(rows))


def golden_report(found: GoldenCheck, *, quantity: str, unit: str) -> LotReport:
    """Bias, indices, verdict."""
    answer = str(found.verdict)
    verdict = f"the fixture is {answer} to judge by this tolerance{_why(found)}."
    if found.verdict is GoldenVerdict.UNDECIDED:
        verdict = f"whether the fixture is good enough is {answer}{_why(found)}."
    lines = [
        f"{found.readings.count} readings, mean {number_text(found.readings.mean)}, "
        f"standard deviation {number_text(found.readings.deviation)} {unit}",
        f"bias {number_text(found.bias)} {unit} (95 % confidence interval "
        f"{number_text(found.bias_low)} to {number_text(found.bias_high)}); {_indices(found)}",
        verdict,
    ]
    if found.readings.count < 25:
        lines.append("fewer than 25 readings: take 50 before you rely on it.")
    return LotReport(
        question=f"Does the fixture read {quantity} of a golden unit right?",
        answer=answer,
        outcome=_OF_A_GOLDEN_UNIT[found.verdict],
        verdict=verdict,
        blocks=(lines,),
    )


_OF_A_GOLDEN_UNIT = {
    GoldenVerdict.GOOD: Outcome.PASSED,
    GoldenVerdict.NOT_GOOD: Outcome.FAILED,
    GoldenVerdict.UNDECIDED: Outcome.SKIPPED,
}


def _indices(found: GoldenCheck) -> str:
    if found.cg is None or found.cgk is None:
        return "no scatter, so no index"
    return f"Cg {found.cg:.4f}, Cgk {found.cgk:.4f}, wanted {found.wanted:g}"


def _why(found: GoldenCheck) -> str:
    """The ends that decide, each at 95 % confidence for normal readings."""
    if found.cg_ends is None or found.cgk_ends is None:
        return ""
    ends = (("Cg", found.cg_ends), ("Cgk", found.cgk_ends))
    if found.verdict is GoldenVerdict.NOT_GOOD:
        shown = ", ".join(f"{name} at most {high:.3f}" for name, (_, high) in ends)
    elif found.verdict is GoldenVerdict.GOOD:
        shown = ", ".join(f"{name} at least {low:.3f}" for name, (low, _) in ends)
    else:
        shown = ", ".join(f"{n} {low:.3f} to {high:.3f}" for n, (low, high) in ends)
        shown += "; more readings decide"
    return f" (95 % confidence: {shown}; wanted {found.wanted:g})"


_OF_A_BIAS = {
    BiasVerdict.WITHIN: Outcome.PASSED,
    BiasVerdict.OUTSIDE: Outcome.FAILED,
    BiasVerdict.UNDECIDED: Outcome.SKIPPED,
}


def bias_report(found: Bias, *, quantity: str, unit: str) -> LotReport:
    """Bias, interval, verdict."""
    shown = "-" if found.p is None else f"{found.p:.3g}"
    verdict = (
        f"the bias is {found.verdict}: {number_text(found.bias)} {unit}, between "
        f"{number_text(found.low)} and {number_text(found.high)} (90 % confidence interval), "
        f"margin "
        f"+-{number_text(found.margin)}."
    )
    lines = [
        f"{found.readings.count} readings of {number_text(found.reference)} {unit}: mean "
        f"{number_text(found.readings.mean)}, standard deviation "
        f"{number_text(found.readings.deviation)}; p of no bias at all {shown}",
        verdict,
    ]
    return LotReport(
        question=f"Does the gauge read {quantity} without a bias that matters?",
        answer=str(found.verdict),
        outcome=_OF_A_BIAS[found.verdict],
        verdict=verdict,
        blocks=(lines,),
    )


def linearity_report(found: Linearity, *, unit: str) -> LotReport:
    """Bias at each known value, line, verdict."""
    rows: list[Row] = [
        (
            f"known value, {unit or '-'}",
            "readings",
            "bias",
            "at least",
            "at most",
            "bias is",
        )
    ]
    rows += [
        (
            number_text(bias.reference),
            str(bias.readings.count),
            number_text(bias.bias),
            number_text(bias.low),
            number_text(bias.high),
            str(bias.verdict),
        )
        for bias in found.biases
    ]
    line = (
        f"line: bias = {number_text(found.intercept)} + {number_text(found.slope)} x value; "
        f"slope {number_text(found.slope_low)} to {number_text(found.slope_high)} (95 % "
        f"confidence), R squared {100 * found.r_squared:.1f} %"
    )
    verdict = (
        f"over these known values the bias is {found.verdict} (all intervals together at "
        "90 % confidence)."
    )
    if found.fit_p is not None and found.fit_p < _NO_LINE:
        verdict += (
            f" The biases do not lie on a line (p {found.fit_p:.2g}): between the known "
            "values nothing is said."
        )
    return LotReport(
        question="Is the bias small enough over the whole range?",
        answer=str(found.verdict),
        outcome=_OF_A_BIAS[found.verdict],
        verdict=verdict,
        blocks=((ReportTable(rows=tuple(rows)), line), (verdict,)),
    )


_NO_LINE = 0.05
"""Lack of fit with a smaller p: the line is not used."""
