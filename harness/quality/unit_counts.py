"""How many units a comparison needs, before any of them is measured.

Formulas: the noncentral t for two means, and the exact power of two one-sided tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.errors import UsageError
from harness.lazy import np, special, stats
from harness.quality.moments import require_fraction, require_positive

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)
_MOST = 1_000_000


def equivalence_power(
    *, count: int, margin_sigmas: float, alpha: float = 0.05
) -> float:
    """Chance that lots with equal means are called equal.

    Args:
        count: units in each of the two lots.
        margin_sigmas: margin over the standard deviation of one lot.
        alpha: of the test.
    """
    _check(count, alpha, margin_sigmas)
    degrees = 2 * (count - 1)
    t = float(special.stdtrit(degrees, 1 - alpha))
    reach = margin_sigmas * math.sqrt(count / 2)
    # both tests pass if |Z| < reach - t u, u being the seen over the true deviation;
    # averaged over u by its quantiles
    chance = (_NODES + 1) / 2
    seen = np.sqrt(2 * special.gammaincinv(degrees / 2, chance) / degrees)
    passed = np.maximum(0.0, 2 * special.ndtr(reach - t * seen) - 1)
    return float(np.dot(_WEIGHTS, passed) / 2)


def difference_power(*, count: int, shift_sigmas: float, alpha: float = 0.05) -> float:
    """Chance that a two-sided t test sees a shift between two lots of ``count`` each."""
    _check(count, alpha, shift_sigmas)
    degrees = 2 * (count - 1)
    t = float(special.stdtrit(degrees, 1 - alpha / 2))
    shift = shift_sigmas * math.sqrt(count / 2)
    return float(stats.nct.sf(t, degrees, shift) + stats.nct.cdf(-t, degrees, shift))


def units_for_equivalence(
    *, margin_sigmas: float, power: float = 0.9, alpha: float = 0.05
) -> int:
    """Units in each lot so that equal lots are called equal with ``power``.

    Raises:
        UsageError: a share that is none, or more than a million units.
    """
    require_fraction(power, what="the power")
    return _smallest(
        lambda count: (
            equivalence_power(count=count, margin_sigmas=margin_sigmas, alpha=alpha)
            >= power
        )
    )


def units_for_difference(
    *, shift_sigmas: float, power: float = 0.9, alpha: float = 0.05
) -> int:
    """Units in each lot so that a shift is seen with ``power``."""
    require_fraction(power, what="the power")
    return _smallest(
        lambda count: (
            difference_power(count=count, shift_sigmas=shift_sigmas, alpha=alpha)
            >= power
        )
    )


def _smallest(enough: Callable[[int], bool]) -> int:
    high = 2
    while not enough(high):
        high *= 2
        if high > _MOST:
            raise UsageError(
                f"more than {_MOST} units would be needed",
                hint="widen the margin, or measure with less scatter",
            )
    low = max(1, high // 2)
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _check(count: int, alpha: float, sigmas: float) -> None:
    require_fraction(alpha, what="alpha")
    require_positive(sigmas, what="the margin")
    if count < 2:
        raise UsageError("a lot needs at least two units to be compared")
