"""What the gauge studies say: tables and a verdict, as sheets."""

from __future__ import annotations

from harness.lots.sheet import Row, Sheet, Table
from harness.quality.gauge import GaugeStudy, GaugeVerdict, GoldenCheck
from harness.records import Outcome
from harness.results.wording import number_text


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
