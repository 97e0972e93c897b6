"""What the lot commands say: tables and a verdict sentence, as sheets."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

from harness.digits import SIGNIFICANT, bound_text, number_text
from harness.lots.judgement import LotComparison, LotSummary, LotVerdict
from harness.lots.sheet import Block, Row, Sheet, Table
from harness.quality.capability import Capability, Indices
from harness.quality.guard import GuardedLimits, Proof, uncertainty_ratio
from harness.quality.moments import Moments
from harness.quality.tolerance import ToleranceInterval
from harness.records import Bound, Outcome
from harness.results.wording import one_line

_MOST_NAMED = 30
"""Devices named one by one."""

_FEW_FOR_INDEX = 25
"""Below so many units the interval of Ppk is rough (from memory)."""


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
                number_text(found.moments.mean, _of_mean(found.moments)),
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
        strangers = {device: found.lot.values[device] for device in found.strangers}
        named += _named("does not belong to it", strangers, found)
    return (Table(rows=tuple(rows)), *named)


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


def comparison_sheet(found: LotComparison) -> Sheet:
    """Lots, tests, verdict."""
    unit = found.candidate.lot.unit
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
    ends = {Bound.AT_LEAST: interval.low, Bound.AT_MOST: interval.high}
    held = " and ".join(
        bound_text(end, side, SIGNIFICANT)
        for side, end in ends.items()
        if end is not None
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
