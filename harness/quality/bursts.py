"""Are errors scattered at random, or in bursts?

Bounds on error rates suppose independent errors. Index of dispersion as in the
NIST/SEMATECH e-Handbook of Statistical Methods.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from harness.errors import UsageError
from harness.quality.moments import checked, require_positive


@dataclass(frozen=True, slots=True, kw_only=True)
class Dispersion:
    """Counts in equal intervals against what chance scatters.

    Attributes:
        mean: errors an interval.
        variance: of the counts.
        statistic: (m - 1) variance over mean, for m intervals.
        degrees: m - 1.
        p: chance of so much scatter or more with independent errors.
    """

    mean: float
    variance: float
    statistic: float
    degrees: int
    p: float


def dispersion(counts: Sequence[int]) -> Dispersion:
    """Do errors come in bursts? A small p says so.

    Raises:
        UsageError: fewer than two intervals, a negative count, or no error at all.
    """
    numbers = checked([float(count) for count in counts], what="the intervals")
    if min(numbers) < 0:
        raise UsageError("a count of errors cannot be negative")
    mean = statistics.fmean(numbers)
    if mean == 0:
        raise UsageError("there was no error, so nothing is to be told of bursts")
    variance = statistics.variance(numbers)
    degrees = len(numbers) - 1
    statistic = degrees * variance / mean
    return Dispersion(
        mean=mean,
        variance=variance,
        statistic=statistic,
        degrees=degrees,
        p=float(special.chdtrc(degrees, statistic)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """Errors with short pauses between them, counted as one event.

    Attributes:
        first_s: time of the first error, seconds.
        last_s: time of the last.
        errors: how many.
    """

    first_s: float
    last_s: float
    errors: int


def bursts(times_s: Sequence[float], *, gap_s: float) -> tuple[Burst, ...]:
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
        Burst(first_s=group[0], last_s=group[-1], errors=len(group)) for group in groups
    )
