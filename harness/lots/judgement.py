"""The verdict on a candidate lot against a baseline lot, in plain words.

The question is "as good as the old lot within this margin". Nothing is left out
silently: units that do not belong to their lot are named and still counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.lots.lot import Lot, require_comparable
from harness.quality.comparison import (
    Equivalence,
    MeanDifference,
    MeanVerdict,
    SpreadRatio,
    hedges_g,
    mean_difference,
    shape_distance,
    spread_ratio,
)
from harness.quality.moments import (
    Moments,
    moments,
    require_limits,
    require_positive,
)
from harness.quality.outliers import outliers
from harness.quality.proofs.comparison import (
    MeanProof,
    SpreadProof,
    prove_means,
    prove_spread,
)
from harness.quality.proofs.exchange import MOST_EXCHANGED
from harness.quality.unit_counts import units_for_equivalence
from harness.results.wording import number_text


class LotVerdict(StrEnum):
    """What the comparison says of the candidate."""

    AS_GOOD = "as good as the baseline"
    NOT_AS_GOOD = "not as good as the baseline"
    UNDECIDED = "not decided by these units"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSummary:
    """One lot in numbers.

    Attributes:
        lot: its values.
        moments: count, mean and deviation.
        outside: devices with a reading outside the limits, in the lot's order, and the
            farthest such reading.
        low: lower limit of each reading, or None.
        high: upper limit of each reading, or None.
        outliers: devices that do not belong to the lot, farthest first.
    """

    lot: Lot
    moments: Moments
    outside: Mapping[str, float]
    low: float | None
    high: float | None
    outliers: tuple[str, ...]


def summary(lot: Lot, *, low: float | None, high: float | None) -> LotSummary:
    """The numbers of a lot and the units to look at.

    Raises:
        UsageError: fewer than two units.
    """
    return LotSummary(
        lot=lot,
        moments=moments(lot.numbers, what=lot.name),
        outside=lot.outside(low, high),
        low=low,
        high=high,
        outliers=tuple(lot.devices[s.place] for s in outliers(lot.numbers)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LotComparison:
    """A candidate lot beside a baseline lot.

    Attributes:
        baseline: the old lot.
        candidate: the new lot.
        mean: candidate's mean minus baseline's.
        equal: whether the means are shown to be equal within the margin.
        spread: candidate's spread over baseline's; None if a lot has none.
        smaller: whether the spread is shown below its margin; None if a lot has no spread,
            or no margin was given.
        shape: largest distance of the distributions, and its p.
        effect: difference of the means in deviations (Hedges); None without spread.
        tolerance_share: difference of the means over the width of the limits, without
            sign; None without two limits.
        not_judged: what nobody asked to be proved, in words.
        verdict: the word.
        reasons: one sentence each, gravest first.
        units_needed: units in each lot that would decide on the mean with 90 % chance,
            if the lots were equal; None if it is decided, or no number of units would.
    """

    baseline: LotSummary
    candidate: LotSummary
    mean: MeanDifference
    equal: MeanProof
    spread: SpreadRatio | None
    smaller: SpreadProof | None
    shape: tuple[float, float]
    effect: float | None
    tolerance_share: float | None
    not_judged: tuple[str, ...]
    verdict: LotVerdict
    reasons: tuple[str, ...]
    units_needed: int | None

    @property
    def judged(self) -> str:
        """What the verdict is about: the mean, or mean and spread, of the quantity."""
        spread = (
            "" if any("spread" in part for part in self.not_judged) else " and spread"
        )
        return f"the mean{spread} of {self.candidate.lot.quantity}"

    @property
    def sentence(self) -> str:
        """The verdict in plain words."""
        text = f"{self.candidate.lot.name} is {self.verdict} in {self.judged}: "
        text += "; ".join(self.reasons) + "."
        text += f" Not judged: {', '.join(self.not_judged)}."
        if self.units_needed is not None:
            text += (
                f" If the lots are equal, {self.units_needed} units of each would "
                "show it with 90 % chance."
            )
        return text


_Finding = tuple[LotVerdict, str]


def compare(
    baseline: Lot,
    candidate: Lot,
    *,
    margin: float,
    low: float | None = None,
    high: float | None = None,
    spread_margin: float | None = None,
    alpha: float = 0.05,
) -> LotComparison:
    """Is the candidate as good as the baseline?

    Args:
        baseline: the old lot.
        candidate: the new lot, in the same unit.
        margin: largest difference of the means that does not matter, fixed beforehand.
        low: lower limit of each unit, or None.
        high: upper limit of each unit, or None.
        spread_margin: largest ratio of the standard deviations that does not matter,
            such as 1.5; with it the candidate must prove that it stays below, without
            it the spread is not judged, and the candidate fails only if it is shown
            to be larger.
        alpha: chance to call a lot good that is not, and the level of the spread test.

    Raises:
        UsageError: lots that share units or have different units of measure, too few
            values, no spread in either, or a margin that is none.
    """
    require_comparable(baseline, candidate)
    _require_sense(spread_margin, low, high)
    old, new = (summary(lot, low=low, high=high) for lot in (baseline, candidate))
    numbers = candidate.numbers, baseline.numbers
    equal = prove_means(*numbers, margin=margin, alpha=alpha)
    spread, smaller = None, None
    if min(new.moments.deviation, old.moments.deviation) > 0:
        if spread_margin is not None:
            smaller = prove_spread(*numbers, margin=spread_margin, alpha=alpha)
            spread = smaller.ratio
        else:
            spread = spread_ratio(*numbers, confidence=1 - 2 * alpha)
    findings = [
        _of_limits(new),
        _of_means(equal, candidate.unit),
        _of_spread(spread, new, spread_margin, smaller, alpha),
    ]
    verdict = max((word for word, _ in findings), key=_GRAVITY.__getitem__)
    return LotComparison(
        baseline=old,
        candidate=new,
        mean=mean_difference(new.moments, old.moments),
        equal=equal,
        spread=spread,
        smaller=smaller,
        shape=shape_distance(*numbers),
        effect=None if spread is None else hedges_g(new.moments, old.moments),
        tolerance_share=_tolerance_share(old, new, low, high),
        not_judged=_not_judged(spread_margin, low, high),
        verdict=verdict,
        reasons=_reasons(findings, new),
        units_needed=_units_needed(equal.by_t, old.moments, new.moments, alpha),
    )


_GRAVITY = {
    LotVerdict.AS_GOOD: 0,
    LotVerdict.UNDECIDED: 1,
    LotVerdict.NOT_AS_GOOD: 2,
}


def _require_sense(
    spread_margin: float | None, low: float | None, high: float | None
) -> None:
    if spread_margin is not None and require_positive(spread_margin, what="ratio") <= 1:
        raise UsageError("the margin of the spread is a ratio above 1, such as 1.5")
    if low is not None or high is not None:
        require_limits(low, high)


def _tolerance_share(
    old: LotSummary, new: LotSummary, low: float | None, high: float | None
) -> float | None:
    """Difference of the means as a share of the tolerance; None without two limits."""
    if low is None or high is None:
        return None
    return abs(new.moments.mean - old.moments.mean) / (high - low)


def _reasons(findings: Sequence[_Finding], new: LotSummary) -> tuple[str, ...]:
    """What the findings say, the most severe first, and which units to look at."""
    shown = sorted(findings, key=lambda finding: -_GRAVITY[finding[0]])
    reasons = [text for _, text in shown if text]
    if new.outliers:
        reasons.append(
            f"{_outliers(new.outliers)}: look at {_them(new.outliers)} first"
        )
    return tuple(reasons)


def _units(devices: Sequence[str]) -> str:
    shown = ", ".join(devices[:5]) + (", ..." if len(devices) > 5 else "")
    return f"{len(devices)} {'unit' if len(devices) == 1 else 'units'} ({shown})"


def _outliers(devices: Sequence[str]) -> str:
    return _units(devices).replace("unit", "outlier", 1)


def _them(devices: Sequence[str]) -> str:
    return "it" if len(devices) == 1 else "them"


def _not_judged(
    spread_margin: float | None, low: float | None, high: float | None
) -> tuple[str, ...]:
    """What the verdict says nothing of."""
    spread = () if spread_margin else ("the spread, for want of --spread-margin",)
    limits: tuple[str, ...] = ()
    if low is None and high is None:
        limits = ("limits of each unit, for there are none",)
    return (*spread, *limits, "the shape of the distribution")


def _of_limits(new: LotSummary) -> _Finding:
    if not new.outside:
        return LotVerdict.AS_GOOD, ""
    return LotVerdict.NOT_AS_GOOD, f"{_units(tuple(new.outside))} outside the limits"


def _of_means(equal: MeanProof, unit: str) -> _Finding:
    by_t = equal.by_t
    word = {
        MeanVerdict.EQUAL: LotVerdict.AS_GOOD,
        MeanVerdict.DIFFERENT: LotVerdict.NOT_AS_GOOD,
        MeanVerdict.UNDECIDED: LotVerdict.UNDECIDED,
    }[by_t.verdict]
    confidence = f"{100 * (1 - 2 * by_t.alpha):g} %"
    verb = {
        LotVerdict.AS_GOOD: "lies within",
        LotVerdict.NOT_AS_GOOD: "lies outside",
        LotVerdict.UNDECIDED: "may lie within or outside",
    }[word]
    text = (
        f"the difference of the means ({confidence} confidence interval "
        f"{number_text(by_t.low)} to {number_text(by_t.high)} {unit}) {verb} +-{number_text(by_t.margin)} {unit}"
    )
    if word is LotVerdict.AS_GOOD and not equal.is_proved:
        word = LotVerdict.UNDECIDED
        text += (
            f" for normal lots; exchanging units between the lots does not show it (p "
            f"{equal.exchange_p:.2g}): too few units for lots like these"
        )
    return word, text


def _of_spread(
    spread: SpreadRatio | None,
    new: LotSummary,
    margin: float | None,
    smaller: SpreadProof | None,
    alpha: float,
) -> _Finding:
    if spread is None:
        return _of_no_spread(new, margin)
    ratio = f"its spread is {spread.ratio:.2f} times the baseline's"
    interval = f"(if normal {spread.low:.2f} to {spread.high:.2f})"
    if margin is None or smaller is None:
        word, shown = _larger(spread, alpha)
        return word, f"{ratio} {interval}, {shown} (p {spread.levene_p:.3g})"
    if smaller.is_proved:
        rest = "proved below {:g} for lots of one shape (p {:.2g} by exchanging units)"
        return LotVerdict.AS_GOOD, f"{ratio}, {rest.format(margin, smaller.exchange_p)}"
    if spread.low > margin and spread.levene_p < alpha:
        return LotVerdict.NOT_AS_GOOD, f"{ratio} {interval}, shown above {margin:g}"
    why = _not_by_exchange(smaller.exchange_p, new.moments.count)
    return LotVerdict.UNDECIDED, f"{ratio} {interval}, not proved below {margin:g}{why}"


def _larger(spread: SpreadRatio, alpha: float) -> _Finding:
    if spread.levene_p < alpha and spread.ratio > 1:
        return LotVerdict.NOT_AS_GOOD, "shown to be larger"
    return LotVerdict.AS_GOOD, "not shown to be larger"


def _not_by_exchange(exchange_p: float | None, units: int) -> str:
    if exchange_p is None:
        return ""
    some = f" {MOST_EXCHANGED} of its" if units > MOST_EXCHANGED else ""
    return f": exchanging{some} units between the lots does not show it (p {exchange_p:.2g})"


def _of_no_spread(new: LotSummary, margin: float | None) -> _Finding:
    """A lot of equal readings: its spread is hidden in the readings' step."""
    if new.moments.deviation > 0:
        return LotVerdict.UNDECIDED, "the baseline has no spread to compare with"
    text = (
        f"its {new.moments.count} readings are all equal, which is no spread of zero: the "
        "step hides it"
    )
    return (LotVerdict.AS_GOOD if margin is None else LotVerdict.UNDECIDED), text


def _units_needed(
    equal: Equivalence, old: Moments, new: Moments, alpha: float
) -> int | None:
    if equal.verdict is not MeanVerdict.UNDECIDED:
        return None
    sigma = ((old.variance + new.variance) / 2) ** 0.5
    try:
        return units_for_equivalence(margin_sigmas=equal.margin / sigma, alpha=alpha)
    except UsageError:  # more than anybody measures
        return None
