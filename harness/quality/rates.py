"""Error rates: exact bounds, how long to run for a claim, what may be claimed after.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (proportions, after
Clopper and Pearson), 8.3.1.1 (test length) and 8.4.5.1 (time between failures).
Bounds take errors as independent; ``bursts`` tells whether they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy import special

from harness.errors import UsageError
from harness.quality.moments import require_fraction, require_positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """A two-sided interval; both ends in the unit of what was bounded."""

    low: float
    high: float


def proportion_bounds(*, errors: int, trials: int, confidence: float = 0.95) -> Bounds:
    """Exact two-sided bounds of an error probability (Clopper and Pearson).

    Raises:
        UsageError: more errors than trials, or no trial.
    """
    _check_counts(errors, trials)
    tail = (1 - require_fraction(confidence, what="the confidence")) / 2
    return Bounds(
        low=_proportion(errors, trials, tail, upper=False),
        high=_proportion(errors, trials, tail, upper=True),
    )


def proportion_at_most(*, errors: int, trials: int, confidence: float = 0.95) -> float:
    """Exact one-sided upper bound of an error probability: what may be claimed."""
    _check_counts(errors, trials)
    tail = 1 - require_fraction(confidence, what="the confidence")
    return _proportion(errors, trials, tail, upper=True)


def wilson_bounds(*, errors: int, trials: int, confidence: float = 0.95) -> Bounds:
    """Wilson's interval: narrower than the exact one, for pictures and not for claims."""
    _check_counts(errors, trials)
    z = float(special.ndtri((1 + require_fraction(confidence, what="confidence")) / 2))
    rate, more = errors / trials, z * z / trials
    middle = (rate + more / 2) / (1 + more)
    reach = z * math.sqrt(rate * (1 - rate) / trials + more / (4 * trials)) / (1 + more)
    return Bounds(low=max(0.0, middle - reach), high=min(1.0, middle + reach))


def count_bounds(*, errors: int, confidence: float = 0.95) -> Bounds:
    """Exact two-sided bounds of the mean of a Poisson count (Garwood)."""
    _check_counts(errors, errors + 1)
    tail = (1 - require_fraction(confidence, what="the confidence")) / 2
    low = float(special.gammaincinv(errors, tail)) if errors else 0.0
    return Bounds(low=low, high=float(special.gammainccinv(errors + 1, tail)))


def length_factor(*, errors_allowed: int, confidence: float = 0.95) -> float:
    """Trials times rate (or hours over hours between failures) that a claim needs."""
    _check_counts(errors_allowed, errors_allowed + 1)
    tail = 1 - require_fraction(confidence, what="the confidence")
    return float(special.gammainccinv(errors_allowed + 1, tail))


def trials_needed(
    *, rate: float, errors_allowed: int = 0, confidence: float = 0.95
) -> int:
    """Fewest trials after which ``rate`` may be claimed with so many errors.

    Exact: the smallest number whose one-sided bound does not exceed the rate.

    Raises:
        UsageError: a rate or confidence that is none.
    """
    require_fraction(rate, what="the rate")
    tail = 1 - require_fraction(confidence, what="the confidence")
    _check_counts(errors_allowed, errors_allowed + 1)
    if errors_allowed == 0:
        return _first(lambda n: n * math.log1p(-rate) <= math.log(tail), 1)

    def proves(trials: int) -> bool:
        return _proportion(errors_allowed, trials, tail, upper=True) <= rate

    return _first(proves, errors_allowed + 1)


def chance_to_prove(*, true_rate: float, trials: int, errors_allowed: int) -> float:
    """How likely a run of so many trials ends with no more errors than allowed."""
    require_fraction(true_rate, what="the true rate")
    _check_counts(errors_allowed, trials)
    return float(special.bdtr(errors_allowed, trials, true_rate))


def between_failures(*, hours: float, failures: int, confidence: float = 0.9) -> Bounds:
    """Two-sided bounds of the hours between failures of a run ended by the clock.

    With no failure the upper bound is infinite, and the lower one is the two-sided
    one (half of the error on each side).
    """
    require_positive(hours, what="the time")
    mean = count_bounds(errors=failures, confidence=confidence)
    return Bounds(
        low=hours / mean.high, high=hours / mean.low if mean.low else math.inf
    )


def hours_at_least(*, hours: float, failures: int, confidence: float = 0.95) -> float:
    """One-sided lower bound of the hours between failures."""
    require_positive(hours, what="the time")
    return hours / length_factor(errors_allowed=failures, confidence=confidence)


@dataclass(frozen=True, slots=True, kw_only=True)
class RateChange:
    """Two rates compared.

    Attributes:
        ratio: first rate over second; infinite if the second had no event.
        bounds: of the ratio.
        p: two-sided, exact.
    """

    ratio: float
    bounds: Bounds
    p: float


def rate_change(
    *,
    first: int,
    first_exposure: float,
    second: int,
    second_exposure: float,
    confidence: float = 0.95,
) -> RateChange:
    """Did the rate change? Exact, given the sum of both counts.

    Args:
        first: events of the first time.
        first_exposure: its length (hours, or trials).
        second: events of the second time.
        second_exposure: its length, same unit.
        confidence: of the bounds.

    Raises:
        UsageError: no event at all, or no exposure.
    """
    total = first + second
    _check_counts(first, total)
    share = require_positive(first_exposure, what="the exposure") / (
        first_exposure + require_positive(second_exposure, what="the exposure")
    )
    seen = _binomial(first, total, share)
    as_rare = [_binomial(k, total, share) for k in range(total + 1)]
    p = math.fsum(chance for chance in as_rare if chance <= seen * (1 + 1e-7))
    bounds = proportion_bounds(errors=first, trials=total, confidence=confidence)
    scale = second_exposure / first_exposure

    def ratio_of(part: float) -> float:
        return math.inf if part >= 1 else part / (1 - part) * scale

    return RateChange(
        ratio=ratio_of(first / total),
        bounds=Bounds(low=ratio_of(bounds.low), high=ratio_of(bounds.high)),
        p=min(1.0, p),
    )


def _binomial(k: int, n: int, p: float) -> float:
    log = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
    return math.exp(log + k * math.log(p) + (n - k) * math.log1p(-p))


def _proportion(errors: int, trials: int, tail: float, *, upper: bool) -> float:
    if upper:
        if errors == trials:
            return 1.0
        return float(special.betainccinv(errors + 1, trials - errors, tail))
    if errors == 0:
        return 0.0
    return float(special.betaincinv(errors, trials - errors + 1, tail))


def _first(holds: Callable[[int], bool], start: int) -> int:
    """The smallest number from ``start`` on for which a monotonous condition holds."""
    high = start
    while not holds(high):
        high *= 2
    low = max(start - 1, high // 2)
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _check_counts(errors: int, trials: int) -> None:
    if trials < 1:
        raise UsageError("nothing was tried, so nothing can be said")
    if not 0 <= errors <= trials:
        raise UsageError(f"{errors} errors in {trials} trials cannot be")
