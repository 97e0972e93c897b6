"""Error rates: exact bounds, how long to run for a claim, what may be claimed after.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1 (proportions, after
Clopper and Pearson) and 8.3.1.1 (test length).
Bounds take errors as independent; ``bursts`` shows whether they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from harness.errors import UsageError
from harness.lazy import special
from harness.quality.moments import require_fraction


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
