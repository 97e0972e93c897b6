"""Statistical tolerance intervals: between which values lies a stated share of a lot.

This, and not the confidence interval of the mean, backs a limit derived from a lot.
Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (normal lots), and ISO
16269-6; for lots of any shape order statistics (Wilks 1941, Murphy 1948; both from memory,
checked by their exact coverage in the tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.lazy import np, optimize, special, stats
from harness.quality.moments import checked, moments, require_fraction

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(64)
_WEIGHTS = _WEIGHTS / math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceInterval:
    """At least ``coverage`` of the population lies inside, with ``confidence``.

    Attributes:
        low: lower end, or None for one that is open below.
        high: upper end, or None for one that is open above.
        factor: how many sample deviations it reaches from the mean; None for one that
            holds for any shape, whose ends are values of the sample.
        coverage: share of the population.
        confidence: how often such an interval is right.
    """

    low: float | None
    high: float | None
    factor: float | None
    coverage: float
    confidence: float


def factor_one_sided(*, count: int, coverage: float, confidence: float) -> float:
    """Exact factor of a one-sided interval (noncentral t)."""
    _check(count, coverage, confidence)
    shift = special.ndtri(coverage) * math.sqrt(count)
    return float(stats.nct.ppf(confidence, count - 1, shift)) / math.sqrt(count)


def factor_two_sided(*, count: int, coverage: float, confidence: float) -> float:
    """Exact factor of a two-sided interval, as ISO 16269-6:2014 tabulates it.

    The sample mean misses the true one by a normal amount; for each amount the
    deviation must be large enough, and the chance of that is averaged over it.
    """
    _check(count, coverage, confidence)
    degrees = count - 1
    # a distance r with Phi(x + r) - Phi(x - r) = coverage: r^2 is a quantile of the
    # noncentral chi-square with one degree of freedom
    reach = special.chndtrix(coverage, 1, _NODES**2 / count)

    def shortfall(factor: float) -> float:
        chance = special.chdtrc(degrees, degrees * reach / factor**2)
        return float(np.dot(_WEIGHTS, chance)) - confidence

    guess = factor_howe(count=count, coverage=coverage, confidence=confidence)
    return float(optimize.brentq(shortfall, guess / 3, guess * 3, xtol=1e-12))


def factor_howe(*, count: int, coverage: float, confidence: float) -> float:
    """Howe's approximation of the two-sided factor, the one the handbook prints."""
    _check(count, coverage, confidence)
    degrees = count - 1
    quantile = 2 * special.gammaincinv(degrees / 2, 1 - confidence)
    return float(
        special.ndtri((1 + coverage) / 2)
        * math.sqrt(degrees * (1 + 1 / count) / quantile)
    )


def tolerance_interval(
    values: Sequence[float],
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: str = "both",
) -> ToleranceInterval:
    """The interval of a normal lot; of a lot that is not normal it says nothing.

    Args:
        values: at least two.
        coverage: share of the population that must lie inside.
        confidence: how often such an interval may be trusted.
        side: ``both``, ``below`` (open below, a high end) or ``above``.

    Raises:
        UsageError: too few values, values that are all equal (the readings' step, not
            the lot, makes them so), a share that is none, or another side.
    """
    sample = moments(values)
    _check_side(side)
    if sample.deviation == 0:
        raise UsageError(
            f"all {sample.count} values are equal, which makes no tolerance interval",
            hint="read in finer steps; units that are alike to the last digit are rare",
        )
    two_sided = side == "both"
    chosen = factor_two_sided if two_sided else factor_one_sided
    factor = chosen(count=sample.count, coverage=coverage, confidence=confidence)
    reach = factor * sample.deviation
    return ToleranceInterval(
        low=None if side == "below" else sample.mean - reach,
        high=None if side == "above" else sample.mean + reach,
        factor=factor,
        coverage=coverage,
        confidence=confidence,
    )


def free_interval(
    values: Sequence[float],
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    side: str = "both",
) -> ToleranceInterval | None:
    """The interval of a lot of any shape; None if it has too few values.

    Its ends are order statistics. Equal values and values in steps make it longer and
    never wrong.

    Args:
        values: at least two.
        coverage: share of the population that must lie inside.
        confidence: how often at least such an interval is right.
        side: ``both``, ``below`` (open below, a high end) or ``above``.

    Raises:
        UsageError: too few values, a share that is none, or another side.
    """
    numbers = sorted(checked(values))
    count = len(numbers)
    _check(count, coverage, confidence)
    _check_side(side)
    # between ranks r and s lies a share that is Beta(s - r, count - s + r + 1); with an
    # open side the sample has one more rank there, at infinity
    rank = rank_at_least(count, coverage, 1 - confidence)
    if rank is None:
        return None
    dropped = count - rank
    if side == "both":
        if dropped < 1:
            return None
        first = (dropped - 1) // 2
        low, high = numbers[first], numbers[first + rank]
    else:
        low, high = numbers[dropped], numbers[rank - 1]
    return ToleranceInterval(
        low=None if side == "below" else low,
        high=None if side == "above" else high,
        factor=None,
        coverage=coverage,
        confidence=confidence,
    )


def rank_at_least(count: int, share: float, error: float) -> int | None:
    """Smallest rank (from 1) whose value is at least the quantile of ``share``.

    Wrong at most with the chance ``error``, for any distribution: so many values of a
    sample lie below its quantile as a binomial count says. None if no rank is.
    """
    low, high = 1, count
    if special.bdtr(count - 1, count, share) < 1 - error:
        return None
    while low < high:
        middle = (low + high) // 2
        if special.bdtr(middle - 1, count, share) >= 1 - error:
            high = middle
        else:
            low = middle + 1
    return low


def free_count(*, coverage: float, confidence: float, two_sided: bool) -> int:
    """Fewest values whose extremes are an interval for any distribution (Wilks)."""
    require_fraction(coverage, what="the coverage")
    require_fraction(confidence, what="the confidence")

    def trusted(count: int) -> float:
        if not two_sided:
            return -math.expm1(count * math.log(coverage))
        return 1 - coverage ** (count - 1) * (count - (count - 1) * coverage)

    high = 2
    while trusted(high) < confidence:
        high *= 2
    low = high // 2
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if trusted(middle) >= confidence else (middle, high)
    return low if trusted(low) >= confidence else high


def _check_side(side: str) -> None:
    if side not in {"both", "below", "above"}:
        raise UsageError(f"{side!r} is no side", hint="use both, below or above")


def _check(count: int, coverage: float, confidence: float) -> None:
    require_fraction(coverage, what="the coverage")
    require_fraction(confidence, what="the confidence")
    if count < 2:
        raise UsageError("a tolerance interval needs at least two values")
