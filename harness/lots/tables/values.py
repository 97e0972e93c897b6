"""What the lot commands say: tables and a verdict sentence, as reports."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

from harness.digits import limits_text, number_text
from harness.lots.judgement import LotComparison, LotSummary, LotVerdict
from harness.lots.report_table import Block, LotReport, ReportTable, Row
from harness.quality.moments import Moments
from harness.records import Outcome
from harness.results.wording import one_line

_MOST_NAMED = 30
"""Devices named one by one."""


def lot_block(lots: Sequence[LotSummary]) -> Block:
    """Each lot in a row, and the units to look at."""
    rows: list[Row] = [
        ("lot", "units", "readings", "invalid", "mean", "standard deviation", "min",
         "max", "unit", "limits", "outside", "outliers"),
    ]  # fmt: skip
    for found in lots:
        numbers = found.lot.numbers
        rows.append(
            (
                found.lot.name,
                str(found.moments.count),
                str(len(found.lot.readings)),
                str(found.lot.invalid),
                number_text(found.moments.mean, _of_mean(found.moments)),
                number_text(found.moments.deviation),
                number_text(min(numbers)),
                number_text(max(numbers)),
                found.lot.unit or "-",
                limits_text(found.low, found.high) or "none",
                str(len(found.outside)),
                str(len(found.outliers)),
            )
        )
    named: list[str] = []
    for found in lots:
        named += _named("is outside the limits", found.outside, found)
        outliers = {device: found.lot.values[device] for device in found.outliers}
        named += _named("is an outlier", outliers, found)
    return (ReportTable(rows=tuple(rows)), *named)


def _of_mean(moments: Moments) -> float:
    """Standard uncertainty of the mean (JCGM 100:2008, 4.2.3), which sets its digits."""
    return float(moments.deviation / math.sqrt(moments.count))


def _named(why: str, values: Mapping[str, float], found: LotSummary) -> list[str]:
    lot = found.lot
    lines = [
        one_line(f"{lot.name}: {device} {number_text(value)} {lot.unit} {why}")
        for device, value in itertools.islice(values.items(), _MOST_NAMED)
    ]
    if (left := len(values) - _MOST_NAMED) > 0:
        lines.append(f"{lot.name}: {left} more {why}")
    return lines


_OUTCOMES = {
    LotVerdict.AS_GOOD: Outcome.PASSED,
    LotVerdict.NOT_AS_GOOD: Outcome.FAILED,
    LotVerdict.UNDECIDED: Outcome.SKIPPED,
}


def comparison_report(found: LotComparison) -> LotReport:
    """Lots, tests, verdict."""
    unit, equal = found.candidate.lot.unit, found.equal.by_t
    doubt = (found.mean.high - found.mean.low) / 2
    rows: list[Row] = [("question", "answer", "between", "p")]
    rows.append(
        (
            f"difference of the means, {unit or '-'}",
            number_text(found.mean.difference, doubt),
            f"{number_text(found.mean.low, doubt)} .. "
            f"{number_text(found.mean.high, doubt)}",
            f"{found.mean.p:.4g}",
        )
    )
    rows.append(
        (
            f"equal within +-{number_text(equal.margin)}",
            str(equal.verdict),
            f"{number_text(equal.low)} .. {number_text(equal.high)}",
            f"{equal.p:.4g}",
        )
    )
    if (p := found.equal.exchange_p) is not None:
        rows.append(("the same by exchanging units", "-", "-", f"{p:.4g}"))
    if found.effect is not None:
        rows.append(
            ("the same in standard deviations", f"{found.effect:.4f}", "-", "-")
        )
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
    if found.smaller is not None and (p := found.smaller.exchange_p) is not None:
        rows.append(("the same below the margin", "-", "-", f"{p:.4g}"))
    distance, p = found.shape
    rows.append(("distance of the shapes", f"{distance:.4f}", "-", f"{p:.4g}"))
    return LotReport(
        question=f"Is the new lot as good as the old one in {found.judged}?",
        answer=str(found.verdict),
        outcome=_OUTCOMES[found.verdict],
        verdict=found.sentence,
        blocks=(
            lot_block([found.baseline, found.candidate]),
            (ReportTable(rows=tuple(rows)),),
            (found.sentence,),
        ),
    )
