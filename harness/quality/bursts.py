"""Are errors scattered at random, in bursts, or more and more?

Bounds on error rates suppose independent errors. Index of dispersion and runs test as
in the NIST/SEMATECH e-Handbook of Statistical Methods (runs: 1.3.5.13); trend of
failure times after Laplace (8.2.3.4).
"""

from __future__ import annotations

import math
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Runs above and below the median.

    Attributes:
        runs: how many.
        above: values at or above the median.
        below: values below it.
        expected: runs that chance gives.
        z: negative for drift, positive for swinging to and fro.
        p: two-sided.
    """

    runs: int
    above: int
    below: int
    expected: float
    z: float
    p: float


def runs_about_median(values: Sequence[float]) -> Runs:
    """Do values drift or swing instead of scattering (Wald and Wolfowitz)?

    Raises:
        UsageError: all values lie on one side of the median.
    """
    numbers = checked(values)
    median = statistics.median(numbers)
    sides = [number >= median for number in numbers]
    above, count = sum(sides), len(sides)
    below = count - above
    if min(above, below) < 1 or count < 3:
        raise UsageError("too many equal values to tell drift from scatter")
    runs = 1 + sum(sides[place] != sides[place - 1] for place in range(1, len(sides)))
    twice = 2 * above * below
    expected = twice / count + 1
    deviation = math.sqrt(twice * (twice - count) / (count**2 * (count - 1)))
    z = (runs - expected) / deviation
    return Runs(
        runs=runs,
        above=above,
        below=below,
        expected=expected,
        z=z,
        p=2 * float(special.ndtr(-abs(z))),
    )


def laplace_trend(times_s: Sequence[float], *, until_s: float) -> float:
    """Laplace's z of event times on (0, until]: negative improves, positive worsens.

    Raises:
        UsageError: no event, or one outside the time.
    """
    numbers = checked(times_s, what="the events", fewest=1)
    require_positive(until_s, what="the time")
    if min(numbers) < 0 or max(numbers) > until_s:
        raise UsageError("an event lies outside the time that was watched")
    away = statistics.fmean(numbers) / until_s - 0.5
    return math.sqrt(12 * len(numbers)) * away
