"""Is a new lot as good as the old one? Means within a margin, spread, shape.

"No significant difference" proves nothing; the mean is compared by two one-sided
tests against a margin that was fixed beforehand from the specification. Formulas:
NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3, 1.3.5.9, 1.3.5.10, 7.3.1;
two one-sided tests after Schuirmann (1987, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.errors import UsageError
from harness.lazy import np, special, stats
from harness.quality.moments import (
    Moments,
    checked,
    moments,
    require_fraction,
    require_positive,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifference:
    """Two means compared without supposing equal spreads (Welch).

    Attributes:
        difference: first mean minus second, in the quantity's unit.
        error: its standard error, same unit.
        degrees: degrees of freedom, not whole.
        t: difference over error.
        p: two-sided.
        low: lower end of the interval of the difference.
        high: upper end.
    """

    difference: float
    error: float
    degrees: float
    t: float
    p: float
    low: float
    high: float


def mean_difference(
    first: Moments, second: Moments, *, confidence: float = 0.95
) -> MeanDifference:
    """Welch's test of two means.

    Raises:
        UsageError: neither sample has any spread.
    """
    require_fraction(confidence, what="the confidence")
    parts = [m.variance / m.count for m in (first, second)]
    error = math.sqrt(sum(parts))
    if error == 0:
        raise UsageError(
            "neither lot has any spread, so their means cannot be compared",
            hint="look whether the readings are real: all units gave the same value",
        )
    degrees = sum(parts) ** 2 / sum(
        part**2 / (m.count - 1) for part, m in zip(parts, (first, second), strict=True)
    )
    difference = first.mean - second.mean
    t = difference / error
    reach = float(special.stdtrit(degrees, (1 + confidence) / 2)) * error
    return MeanDifference(
        difference=difference,
        error=error,
        degrees=degrees,
        t=t,
        p=2 * float(special.stdtr(degrees, -abs(t))),
        low=difference - reach,
        high=difference + reach,
    )


def pooled_t(first: Moments, second: Moments) -> tuple[float, int, float]:
    """The t test that supposes equal spreads: t, degrees of freedom, pooled deviation."""
    degrees = first.count + second.count - 2
    squares = sum(m.variance * (m.count - 1) for m in (first, second))
    deviation = require_positive(math.sqrt(squares / degrees), what="the spread")
    error = deviation * math.sqrt(1 / first.count + 1 / second.count)
    return (first.mean - second.mean) / error, degrees, deviation


def hedges_g(first: Moments, second: Moments) -> float:
    """Difference of the means in pooled deviations, corrected for small samples."""
    _, degrees, deviation = pooled_t(first, second)
    return (first.mean - second.mean) / deviation * (1 - 3 / (4 * degrees - 1))


class MeanVerdict(StrEnum):
    """What two one-sided tests say of two means."""

    EQUAL = "equal within the margin"
    DIFFERENT = "different by more than the margin"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Two one-sided tests against a margin.

    Attributes:
        margin: largest difference that does not matter, in the quantity's unit.
        low: lower end of the interval of the difference, confidence 1 - 2 alpha.
        high: upper end.
        t_low: t of "not lower by the margin".
        t_high: t of "not higher by the margin".
        p: the larger of the two one-sided p.
        degrees: degrees of freedom.
        alpha: allowed chance to call unequal lots equal.
        verdict: equal, different, or undecided.
    """

    margin: float
    low: float
    high: float
    t_low: float
    t_high: float
    p: float
    degrees: float
    alpha: float
    verdict: MeanVerdict


def equivalence(
    first: Moments, second: Moments, *, margin: float, alpha: float = 0.05
) -> Equivalence:
    """Are two means equal within a margin?

    They are if the interval of their difference lies inside the margin, they differ
    if it lies outside altogether, and the sample was too small if neither holds.

    Raises:
        UsageError: a margin that is not above zero, or no spread.
    """
    require_positive(margin, what="the margin")
    require_fraction(alpha, what="alpha")
    found = mean_difference(first, second, confidence=1 - 2 * alpha)
    t_low = (found.difference + margin) / found.error
    t_high = (found.difference - margin) / found.error
    p = max(
        float(special.stdtr(found.degrees, -t_low)),
        float(special.stdtr(found.degrees, t_high)),
    )
    verdict = MeanVerdict.UNDECIDED
    if p < alpha:
        verdict = MeanVerdict.EQUAL
    elif found.low > margin or found.high < -margin:
        verdict = MeanVerdict.DIFFERENT
    return Equivalence(
        margin=margin,
        low=found.low,
        high=found.high,
        t_low=t_low,
        t_high=t_high,
        p=p,
        degrees=found.degrees,
        alpha=alpha,
        verdict=verdict,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadRatio:
    """Two spreads compared.

    Attributes:
        ratio: first deviation over second.
        low: lower end of its interval, normal lots only.
        high: upper end.
        f: ratio of the variances.
        f_p: its two-sided p, normal lots only.
        levene: statistic of Brown and Forsythe, which does not need normal lots.
        levene_p: its p; 1 where no lot has three values.
    """

    ratio: float
    low: float
    high: float
    f: float
    f_p: float
    levene: float
    levene_p: float


def variance_ratio(
    first: Moments, second: Moments, *, confidence: float = 0.95
) -> tuple[float, float, float, float]:
    """The F test of two variances: F, two-sided p, and the interval of the ratio F.

    Raises:
        UsageError: a sample has no spread.
    """
    for sample in (first, second):
        require_positive(sample.deviation, what="the spread of a lot")
    require_fraction(confidence, what="the confidence")
    f = first.variance / second.variance
    d1, d2 = first.count - 1, second.count - 1
    p = 2 * min(float(special.fdtr(d1, d2, f)), float(special.fdtrc(d1, d2, f)))
    tail = (1 - confidence) / 2
    low = f / float(special.fdtri(d1, d2, 1 - tail))
    high = f / float(special.fdtri(d1, d2, tail))
    return f, min(1.0, p), low, high


def levene(*samples: Sequence[float]) -> tuple[float, float]:
    """Brown and Forsythe's test of equal spreads (about the medians): statistic and p.

    Two values are equally far from their median, whatever their spread. Where no lot has
    three, nothing can be shown: 0 and 1.

    Raises:
        UsageError: fewer than two samples or no spread within any of them.
    """
    if len(samples) < 2:
        raise UsageError("spreads are compared between at least two lots")
    numbers = [np.asarray(checked(sample)) for sample in samples]
    away = [np.abs(sample - np.median(sample)) for sample in numbers]
    if all(float(np.max(a)) == 0 for a in away):
        raise UsageError("no lot has any spread, so spreads cannot be compared")
    if max(len(sample) for sample in numbers) < 3:
        return 0.0, 1.0
    found = stats.levene(*numbers, center="median")
    return float(found.statistic), float(found.pvalue)


def spread_ratio(
    first: Sequence[float], second: Sequence[float], *, confidence: float = 0.95
) -> SpreadRatio:
    """Compare the spreads of two lots.

    Raises:
        UsageError: a sample is too small or has no spread.
    """
    samples = [moments(first), moments(second)]
    f, f_p, low, high = variance_ratio(*samples, confidence=confidence)
    statistic, p = levene(first, second)
    return SpreadRatio(
        ratio=math.sqrt(f),
        low=math.sqrt(low),
        high=math.sqrt(high),
        f=f,
        f_p=f_p,
        levene=statistic,
        levene_p=p,
    )


def shape_distance(
    first: Sequence[float], second: Sequence[float]
) -> tuple[float, float]:
    """Kolmogorov and Smirnov's largest distance of two distributions, and its exact p.

    With readings in coarse steps the p is too large rather than too small.
    """
    found = stats.ks_2samp(
        np.asarray(checked(first)), np.asarray(checked(second)), method="exact"
    )
    return float(found.statistic), float(found.pvalue)
