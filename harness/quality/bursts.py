"""Are errors scattered at random, or in bursts?

Bounds on error rates suppose independent errors. Index of dispersion as in the
NIST/SEMATECH e-Handbook of Statistical Methods.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError
from harness.lazy import np
from harness.quality.moments import checked, require_positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Clustering:
    """Counts in intervals of known exposure against what chance scatters.

    Attributes:
        ratio: of the scatter to that of independent errors (index of dispersion).
        p: chance of so much scatter or more with independent errors.
    """

    ratio: float
    p: float


_SEED = 20_260_301
_FIRST, _SIMULATED = 199, 4_999
_CLEAR = 20
"""So many samples as wide among the first settle that it is chance (p near 0.1)."""


def clustering(counts: Sequence[int], *, exposure: Sequence[float]) -> Clustering:
    """Do errors come in bursts, for their number and the tries of each interval?

    The statistic is the sum of (count - expected)^2 / expected, which over its degrees of
    freedom is the index of dispersion. Given how many errors there were, independent ones fall into the intervals as a multinomial
    sample; the p-value is that of up to 4,999 such samples, (1 + as wide) / (1 + samples),
    which holds for few errors too, where the chi-square distribution does not (Dwass
    1957, from memory).

    Args:
        counts: errors in each interval.
        exposure: tries, rounds or time under test of each, above zero.

    Raises:
        UsageError: fewer than two intervals, no error, or an exposure that is not
            above zero.
    """
    numbers = np.asarray(checked([float(c) for c in counts], what="the intervals"))
    for value in exposure:
        require_positive(value, what="the exposure")
    total = int(numbers.sum())
    if min(numbers) < 0:
        raise UsageError("a count of errors cannot be negative")
    if total == 0:
        raise UsageError("there was no error: whether errors cluster cannot be judged")
    shares = np.asarray(exposure, dtype=float) / math.fsum(exposure)
    expected = total * shares
    seen = float(np.sum((numbers - expected) ** 2 / expected))
    generator = np.random.default_rng(_SEED)
    drawn = drawn_wide = 0
    for size in (_FIRST, _SIMULATED - _FIRST):
        chance = generator.multinomial(total, shares, size=size)
        wide = np.sum((chance - expected) ** 2 / expected, axis=1)
        drawn += size
        drawn_wide += int(np.sum(wide >= seen * (1 - 1e-12)))
        if drawn_wide >= _CLEAR:
            break
    return Clustering(ratio=seen / (len(numbers) - 1), p=(1 + drawn_wide) / (1 + drawn))


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorBurst:
    """Errors with short pauses between them, counted as one event.

    Attributes:
        first_s: time of the first error, seconds.
        last_s: time of the last.
        errors: how many.
    """

    first_s: float
    last_s: float
    errors: int


def bursts(times_s: Sequence[float], *, gap_s: float) -> tuple[ErrorBurst, ...]:
    """Group errors whose pauses are shorter than ``gap_s``.

    Args:
        times_s: times of the errors, seconds, in any order.
        gap_s: a pause so long or longer ends a burst.

    Raises:
        UsageError: a time is no number, or the gap is not above zero.
    """
    require_positive(gap_s, what="the gap")
    groups: list[list[float]] = []
    for time_s in sorted(checked(times_s, what="the errors", fewest=0)):
        if groups and time_s - groups[-1][-1] < gap_s:
            groups[-1].append(time_s)
        else:
            groups.append([time_s])
    return tuple(
        ErrorBurst(first_s=group[0], last_s=group[-1], errors=len(group))
        for group in groups
    )
