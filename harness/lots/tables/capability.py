"""What `lot capability` says: indices, the proof and what it rests on, intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.digits import SIGNIFICANT, bound_text, limits_text, number_text
from harness.lots.judgement import LotSummary
from harness.lots.report_table import LotReport, ReportTable, Row
from harness.lots.tables.values import lot_block
from harness.quality.capability import Capability, Indices
from harness.quality.guard import GuardedLimits, Proof, uncertainty_ratio
from harness.quality.moments import FEWEST_DISTINCT
from harness.quality.proofs.capability import IndexProof, Method, counts_that_do
from harness.quality.shape import ALPHA
from harness.quality.tolerance import (
    ToleranceInterval,
    free_count,
    free_interval,
    tolerance_interval,
)
from harness.records import Bound, Outcome
from harness.results.wording import one_line

DEFINITION = (
    "Ppk here is the smaller of (U - X50) / (X99.865 - X50) and (X50 - L) / (X50 - "
    "X0.135), the percentiles being those of all such units (ISO 22514-2); of a normal "
    "lot that is the usual Ppk."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareInside:
    """A tolerance interval that is asked for.

    Attributes:
        coverage: share of such units that shall lie inside.
        side: ``both``, ``below`` or ``above``.
    """

    coverage: float = 0.95
    side: str = "both"


def capability_report(
    lot: LotSummary,
    found: Capability,
    proof: IndexProof,
    guarded: GuardedLimits | None,
    *,
    wanted: float,
    inside: ShareInside,
) -> LotReport:
    """Lot, indices, tolerance intervals, guard band, verdict."""
    rows: list[Row] = [
        ("index", "value", f"{100 * found.confidence:g} % between, if normal")
    ]
    if found.overall is not None:
        rows += _index_rows(found.overall, found, ("Pp", "Ppk", "Ppm"))
    if found.within is not None:
        rows += _plain_rows(found.within, ("Cp", "Cpk", "Cpm"))
    if found.percentiles is not None:
        rows.append(("Ppk from the lot's percentiles", f"{found.percentiles:.4f}", "-"))
    verdict = _sentence(proof, wanted)
    said = [*_interval_sentences(lot, found, proof, inside)]
    if guarded is not None:
        said.append(_guard_sentence(guarded, lot))
    said += [_model_sentence(found, proof), _share_sentence(lot, proof), DEFINITION]
    proved = proof.proves(wanted)
    return LotReport(
        question=f"How does {lot.lot.quantity} sit between its limits?",
        answer=f"Ppk {wanted:g} is {'proved' if proved else 'not proved'}",
        outcome=Outcome.PASSED if proved else Outcome.FAILED,
        verdict=verdict,
        blocks=(
            lot_block([lot]),
            (ReportTable(rows=tuple(rows)),),
            (*(text for text in said if text), verdict),
        ),
    )


def _confidence(confidence: float) -> str:
    return f"At {100 * confidence:g} % confidence"


def _sentence(proof: IndexProof, wanted: float) -> str:
    if proof.at_least is None or proof.method is None:
        return f"Ppk {wanted:g} is not proved: {proof.why_not}. {_what_would_do(proof)}"
    verb = "proves" if proof.proves(wanted) else "does not prove"
    text = (
        f"{_confidence(proof.confidence)} Ppk is at least {_rounded_down(proof.at_least)}, which {verb} "
        f"{wanted:g}: {proof.method}."
    )
    if proof.why_not:
        text += f" The earlier lots were not used: {proof.why_not}."
    if proof.method is not Method.FREE:
        text += (
            f" It rests on {proof.history} values of earlier lots and on this lot having "
            f"their shape, of which its {proof.count} units show gross differences only."
        )
    return text


def _what_would_do(proof: IndexProof) -> str:
    own, any_shape, normal = counts_that_do(proof.confidence)
    return (
        f"What would do: {own} units of this lot; or --history with {any_shape} values of "
        f"earlier lots, which state the shape. From {normal} values on that look normal "
        "it has the power of a normal model."
    )


def _rounded_down(bound: float) -> str:
    """A lower bound with two digits never reads higher than it is."""
    return f"{int(bound * 100 // 1) / 100:.2f}"


def _model_sentence(found: Capability, proof: IndexProof) -> str:
    if found.overall is None:
        return f"capability cannot be determined: {found.why_not}."
    p = found.normal_p
    if p is not None and p < ALPHA:
        return (
            f"The lot is not normal (p {p:.2g}): intervals and shares of a normal model "
            "do not hold; look at the probability plot."
        )
    if proof.method is Method.NORMAL:
        return f"A normal lot like this has {found.fallout_ppm:.4g} ppm outside."
    return (
        f"Nothing in {proof.count} units speaks against a normal lot, and nothing shows "
        f"one: if it is one, Ppk is at least {found.worst_at_least:.2f} and "
        f"{found.fallout_ppm:.4g} ppm are outside. That is no proof."
    )


def _share_sentence(lot: LotSummary, proof: IndexProof) -> str:
    return (
        f"{_confidence(proof.confidence)}, whatever the shape, at most {100 * proof.share_outside:.3g} % "
        f"of such units are outside the limits ({len(lot.outside)} of {proof.count} were)."
    )


def _index_rows(
    indices: Indices, found: Capability, names: tuple[str, str, str]
) -> list[Row]:
    rows = _plain_rows(indices, names)
    if found.percentiles is not None:
        return [(name, value, "not normal") for name, value, _ in rows]
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


def _interval_sentences(
    lot: LotSummary, found: Capability, proof: IndexProof, inside: ShareInside
) -> list[str]:
    """The interval for any shape, and that of a normal lot where nothing refuses it."""
    numbers = lot.lot.numbers
    asked = {
        "coverage": inside.coverage,
        "confidence": proof.confidence,
    }
    free = free_interval(numbers, side=inside.side, **asked)
    if free is None:
        least = free_count(two_sided=inside.side == "both", **asked)
        said = [
            f"A tolerance interval of any shape for {100 * inside.coverage:g} % of such "
            f"units takes {least} units, {len(numbers)} are here."
        ]
    else:
        said = [_interval_sentence(free, lot.lot.unit, "whatever the shape")]
    if len(set(numbers)) < FEWEST_DISTINCT:
        return [
            *said,
            "No tolerance interval of a normal lot: the readings' step is too coarse.",
        ]
    if found.normal_p is not None and found.normal_p < ALPHA:
        return said
    stated = proof.method is Method.NORMAL
    condition = "normal, as its earlier lots are" if stated else "only if it is normal"
    normal = tolerance_interval(numbers, side=inside.side, **asked)
    return [*said, _interval_sentence(normal, lot.lot.unit, condition)]


def _interval_sentence(interval: ToleranceInterval, unit: str, condition: str) -> str:
    ends = {Bound.AT_LEAST: interval.low, Bound.AT_MOST: interval.high}
    held = " and ".join(
        bound_text(end, bound, SIGNIFICANT)
        for bound, end in ends.items()
        if end is not None
    )
    return one_line(
        f"{_confidence(interval.confidence)}, {condition}, "
        f"{100 * interval.coverage:g} % of such units are {held} {unit}."
    )


def _guard_sentence(guarded: GuardedLimits, lot: LotSummary) -> str:
    proofs: Sequence[Proof] = [guarded.judge(value) for value in lot.lot.numbers]
    counts = ", ".join(f"{proofs.count(proof)} {proof}" for proof in Proof)
    ends = limits_text(guarded.accept_low, guarded.accept_high)
    return one_line(
        f"with a guard band of {number_text(guarded.guard)} units are accepted at "
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
        "customary minimum."
    )
