"""A gauge against known values: Cg and Cgk, bias, linearity.

Cg and Cgk as for the study of one golden unit (from memory), bias and linearity after
AIAG, Measurement Systems Analysis, 4th ed. (from memory). That book asks whether a bias
is shown; here the question is whether it is shown to be small enough, for few readings
show nothing.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.lazy import np, special, stats
from harness.quality.capability import cp_interval, one_limit_at_least
from harness.quality.moments import (
    Moments,
    moments,
    require_fraction,
    require_positive,
)


class GoldenVerdict(StrEnum):
    """Is the gauge good enough for the tolerance?"""

    GOOD = "shown to be good enough"
    NOT_GOOD = "shown not to be good enough"
    UNDECIDED = "not decided by these readings"


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenCheck:
    """Many readings of one unit whose value is known.

    Attributes:
        readings: count, mean and deviation.
        bias: mean minus reference.
        bias_low: lower end of its 95 % interval.
        bias_high: upper end.
        cg: a fifth of the tolerance over six deviations; None without spread.
        cgk: the same with the bias taken off; None without spread.
        cg_ends: at least and at most, each one-sided at the confidence; None likewise.
        cgk_ends: of Cgk.
        verdict: by the ends of both indices; without spread by the bias, against a
            tenth of the tolerance.
        wanted: index to be reached.
    """

    readings: Moments
    bias: float
    bias_low: float
    bias_high: float
    cg: float | None
    cgk: float | None
    cg_ends: tuple[float, float] | None
    cgk_ends: tuple[float, float] | None
    verdict: GoldenVerdict
    wanted: float

    @property
    def holds(self) -> bool:
        """True if the gauge is shown to be good enough."""
        return self.verdict is GoldenVerdict.GOOD


def golden_check(
    values: Sequence[float],
    *,
    reference: float,
    tolerance: float,
    wanted: float = 1.33,
    confidence: float = 0.95,
) -> GoldenCheck:
    """Repeatability and bias on a golden unit (25 readings or more, usually 50).

    Cg is a Cp and Cgk a Cpk between limits a tenth of the tolerance from the reference,
    so their intervals are those of ``quality.capability``: exact for normal readings
    (chi-square, and noncentral t for the nearer limit).

    Args:
        values: readings of the one unit.
        reference: its known value.
        tolerance: width between the limits that the gauge has to judge.
        wanted: smallest Cg and Cgk (1.33 is customary, from memory).
        confidence: of the bias's interval, and of each end of the indices.

    Raises:
        UsageError: too few values or no tolerance.
    """
    require_positive(tolerance, what="the tolerance")
    require_fraction(confidence, what="the confidence")
    sample = moments(values, what="the golden unit")
    bias = sample.mean - reference
    t = float(special.stdtrit(sample.count - 1, (1 + confidence) / 2))
    reach = t * sample.deviation / math.sqrt(sample.count)
    cg = cgk = cg_ends = cgk_ends = None
    small = abs(bias) <= 0.1 * tolerance
    verdict = GoldenVerdict.GOOD if small else GoldenVerdict.NOT_GOOD
    if sample.deviation > 0:
        cg = 0.2 * tolerance / (6 * sample.deviation)
        cgk = (0.1 * tolerance - abs(bias)) / (3 * sample.deviation)
        count = sample.count
        cg_ends = cp_interval(cg, count=count, confidence=2 * confidence - 1)
        low, high = (
            one_limit_at_least(cgk, count=count, confidence=sure)
            for sure in (confidence, 1 - confidence)
        )
        cgk_ends = low, high
        verdict = _of_ends(cg_ends, cgk_ends, wanted)
    return GoldenCheck(
        readings=sample,
        bias=bias,
        bias_low=bias - reach,
        bias_high=bias + reach,
        cg=cg,
        cgk=cgk,
        cg_ends=cg_ends,
        cgk_ends=cgk_ends,
        verdict=verdict,
        wanted=wanted,
    )


def _of_ends(
    cg: tuple[float, float], cgk: tuple[float, float], wanted: float
) -> GoldenVerdict:
    if min(cg[0], cgk[0]) >= wanted:
        return GoldenVerdict.GOOD
    if min(cg[1], cgk[1]) < wanted:
        return GoldenVerdict.NOT_GOOD
    return GoldenVerdict.UNDECIDED


class BiasVerdict(StrEnum):
    """Is the bias small enough?"""

    WITHIN = "shown to be within the margin"
    OUTSIDE = "shown to be outside the margin"
    UNDECIDED = "not decided by these readings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bias:
    """Bias of a gauge at one known value.

    Attributes:
        reference: known value.
        readings: count, mean and deviation.
        bias: mean minus reference.
        low: lower end of its interval.
        high: upper end.
        t: bias over its standard error; None without scatter.
        p: two-sided, of no bias at all; None without scatter.
        margin: largest bias that does not matter.
        verdict: by both ends.
    """

    reference: float
    readings: Moments
    bias: float
    low: float
    high: float
    t: float | None
    p: float | None
    margin: float
    verdict: BiasVerdict


def bias_study(
    values: Sequence[float],
    *,
    reference: float,
    margin: float,
    alpha: float = 0.05,
) -> Bias:
    """Bias with its interval, held against a margin (two one-sided tests).

    Args:
        values: independent readings of one unit (ten or more).
        reference: its known value.
        margin: largest bias that does not matter, such as a tenth of the tolerance.
        alpha: chance to call a bias small that is not; the interval has 1 - 2 alpha.

    Raises:
        UsageError: too few values, or no margin.
    """
    require_positive(margin, what="the margin")
    require_fraction(2 * alpha, what="alpha, twice,")
    sample = moments(values, what="the bias study")
    bias = sample.mean - reference
    error = sample.deviation / math.sqrt(sample.count)
    reach = float(special.stdtrit(sample.count - 1, 1 - alpha)) * error
    t = bias / error if error > 0 else None
    return Bias(
        reference=reference,
        readings=sample,
        bias=bias,
        low=bias - reach,
        high=bias + reach,
        t=t,
        p=None if t is None else 2 * float(special.stdtr(sample.count - 1, -abs(t))),
        margin=margin,
        verdict=_of_bias(bias - reach, bias + reach, margin),
    )


def _of_bias(low: float, high: float, margin: float) -> BiasVerdict:
    if -margin <= low and high <= margin:
        return BiasVerdict.WITHIN
    if low > margin or high < -margin:
        return BiasVerdict.OUTSIDE
    return BiasVerdict.UNDECIDED


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Bias of a gauge over its range.

    Attributes:
        slope: change of the bias a unit of the reference.
        intercept: bias at a reference of zero, by the line.
        slope_low: lower end of the slope's 95 % interval.
        slope_high: upper end.
        slope_p: two-sided, of no slope.
        r_squared: share of the squares that the line explains.
        residual: deviation from the line.
        fit_p: of the line itself against the means (lack of fit); small: no line.
        biases: at each reference, ascending; their intervals hold together (Bonferroni).
        verdict: the gravest of theirs; it needs no line.
    """

    slope: float
    intercept: float
    slope_low: float
    slope_high: float
    slope_p: float
    r_squared: float
    residual: float
    fit_p: float | None
    biases: tuple[Bias, ...]
    verdict: BiasVerdict


def _fit_p(biases: Sequence[Bias], *, left: float, count: int) -> float | None:
    """Chance of so much lack of fit where the line holds; None without any scatter."""
    within = sum(b.readings.variance * (b.readings.count - 1) for b in biases)
    if within <= 0:
        return None
    df = (len(biases) - 2, count - len(biases))
    return float(special.fdtrc(*df, max(0.0, left - within) / df[0] / (within / df[1])))


def _gravest(found: Collection[BiasVerdict]) -> BiasVerdict:
    order = (BiasVerdict.OUTSIDE, BiasVerdict.UNDECIDED, BiasVerdict.WITHIN)
    return next(verdict for verdict in order if verdict in found)


def linearity_study(
    readings: Sequence[tuple[float, float]], *, margin: float, alpha: float = 0.05
) -> Linearity:
    """Bias at several known values, and the line through them.

    Args:
        readings: known value and reading, at least three known values, each at least
            twice.
        margin: largest bias that does not matter, anywhere.
        alpha: chance to call all biases small where one is not, by all means at most.

    Raises:
        UsageError: too few known values or readings.
    """
    groups: dict[float, list[float]] = {}
    for reference, value in readings:
        groups.setdefault(reference, []).append(value)
    if len(groups) < 3 or min(map(len, groups.values())) < 2:
        raise UsageError(
            "linearity needs three known values or more, each read at least twice",
            hint="five, read ten times each, are customary (AIAG, from memory)",
        )
    biases = tuple(
        bias_study(groups[r], reference=r, margin=margin, alpha=alpha / len(groups))
        for r in sorted(groups)
    )
    x = np.array([reference for reference, _ in readings])
    y = np.array([value - reference for reference, value in readings])
    line = stats.linregress(x, y)
    count = len(x)
    left = float(np.sum((y - line.intercept - line.slope * x) ** 2))
    reach = float(special.stdtrit(count - 2, 0.975)) * float(line.stderr)
    return Linearity(
        slope=float(line.slope),
        intercept=float(line.intercept),
        slope_low=float(line.slope) - reach,
        slope_high=float(line.slope) + reach,
        slope_p=float(line.pvalue),
        r_squared=float(line.rvalue) ** 2,
        residual=math.sqrt(left / (count - 2)),
        fit_p=_fit_p(biases, left=left, count=count),
        biases=biases,
        verdict=_gravest({bias.verdict for bias in biases}),
    )
