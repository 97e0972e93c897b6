"""A capability that holds for every distribution: order statistics and nothing else.

The index is that of ISO 22514-2 by percentiles: for the high limit (U - X50) / (X99.865 -
X50), for the low one (X50 - L) / (X50 - X0.135), and Ppk the smaller one; for a normal
distribution it is the usual Ppk. The confidence bound of a percentile is an order
statistic (Wilks 1941; Handbook 7.2.6.4 (from memory)). Readings in steps stand for the
values before rounding: each end is moved outwards by half a step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.lazy import np
from harness.quality.moments import checked, require_fraction, require_limits
from harness.quality.quantisation import step_of
from harness.quality.tolerance import rank_at_least

TAIL = 0.00135
"""Share beyond each end of the reference interval (0.135 % and 99.865 %), ISO 22514-2."""

_FOR_TAIL = 0.9
"""Share of the allowed error that the percentile far out takes; the median, for which
there are always enough values, takes the rest (Bonferroni)."""


def count_for_tail(error: float) -> int:
    """Fewest values whose largest lies beyond the 99.865 % point but for ``error``."""
    require_fraction(error, what="the error")
    return math.ceil(math.log(error) / math.log1p(-TAIL))


def free_count(confidence: float) -> int:
    """Fewest values with which ``index_at_least`` gives a bound."""
    require_fraction(confidence, what="the confidence")
    return count_for_tail((1 - confidence) * _FOR_TAIL)


def index_at_least(
    values: Sequence[float],
    *,
    low: float | None,
    high: float | None,
    confidence: float = 0.95,
) -> float | None:
    """Lower bound of the percentile index for any distribution; None with too few values.

    Each limit is judged with the full confidence: the lot is capable only if it is at
    both, so the chance of a false proof does not add up.

    Raises:
        UsageError: bad values, limits or confidence.
    """
    require_limits(low, high)
    require_fraction(confidence, what="the confidence")
    numbers = np.sort(np.asarray(checked(values)))
    margin = step_of(values) / 2
    bounds = []
    for limit, sign in ((high, 1), (low, -1)):
        if limit is None:
            continue
        side = numbers if sign > 0 else -numbers[::-1]
        bounds.append(_one_side(side, sign * limit, margin, 1 - confidence))
    known = [bound for bound in bounds if bound is not None]
    return min(known) if len(known) == len(bounds) else None


def index_of(limit: float, *, tail: float, medians: tuple[float, float]) -> float:
    """The index of a limit, at worst: ``tail`` and the ends of the median's interval.

    The median that makes the index smaller counts, which depends on the side of the
    tail on which the limit lies.
    """
    middle = medians[0] if limit > tail else medians[1]
    return (limit - middle) / max(tail - middle, math.ulp(abs(tail) + 1))


def bounds_of_side(
    ascending: np.ndarray, *, margin: float, for_tail: float, for_median: float
) -> tuple[float, tuple[float, float]] | None:
    """Upper bound of the 99.865 % point and both bounds of the median; None if too few.

    Args:
        ascending: the values; for the low side turned round and with changed sign.
        margin: half a reading's step.
        for_tail: allowed error of the percentile.
        for_median: allowed error of the median on the side that counts.
    """
    count = len(ascending)
    rank = rank_at_least(count, 1 - TAIL, for_tail)
    middle = rank_at_least(count, 0.5, for_median)
    if rank is None or middle is None:
        return None
    medians = (ascending[count - middle] - margin, ascending[middle - 1] + margin)
    return float(ascending[rank - 1] + margin), (float(medians[0]), float(medians[1]))


def _one_side(
    ascending: np.ndarray, limit: float, margin: float, error: float
) -> float | None:
    found = bounds_of_side(
        ascending,
        margin=margin,
        for_tail=error * _FOR_TAIL,
        for_median=error * (1 - _FOR_TAIL),
    )
    return None if found is None else index_of(limit, tail=found[0], medians=found[1])
