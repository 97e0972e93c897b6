"""Number, mean and spread of a sample, without loss of digits.

The naive one-pass formula loses every digit on values with a large mean (it gives a
negative variance on the certified set NumAcc4 of the NIST Statistical Reference
Datasets); the standard library's exact sums do not.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from harness.errors import UsageError

FEWEST_DISTINCT = 5
"""Below so many different readings a spread says more about the step than the lot
(common practice, no source)."""


_MANY = 10_000
"""From so many values on the standard library's exact fractions take too long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """A sample in three numbers.

    Attributes:
        count: values.
        mean: in the quantity's unit.
        deviation: sample standard deviation (divisor n - 1), same unit.
    """

    count: int
    mean: float
    deviation: float

    @property
    def variance(self) -> float:
        """Square of the deviation."""
        return self.deviation**2


def checked(
    values: Sequence[float], *, what: str = "the sample", fewest: int = 2
) -> tuple[float, ...]:
    """The values as floats, if there are enough and each is a finite number.

    Args:
        values: any sequence of numbers.
        what: how a message calls them.
        fewest: how many there must be.

    Raises:
        UsageError: too few, or one that is not finite.
    """
    numbers = tuple(map(float, values))
    if len(numbers) < fewest:
        held = {0: "no value", 1: "one value"}.get(
            len(numbers), f"{len(numbers)} values"
        )
        raise UsageError(
            f"{what} has {held}, at least {fewest} are needed",
            hint="measure more units, or name more files",
        )
    if not all(map(math.isfinite, numbers)):
        place = next(n for n, x in enumerate(numbers) if not math.isfinite(x))
        raise UsageError(
            f"value {place + 1} of {what} is {numbers[place]}, not a number to reckon with",
            hint="find out why that unit gave no reading, and leave it out",
        )
    return numbers


def moments(values: Sequence[float], *, what: str = "the sample") -> Moments:
    """Count, mean and standard deviation of at least two values.

    Raises:
        UsageError: see ``checked``.
    """
    numbers = checked(values, what=what)
    mean = statistics.fmean(numbers)
    return Moments(
        count=len(numbers),
        mean=mean,
        deviation=statistics.stdev(numbers)
        if len(numbers) < _MANY
        else _deviation(numbers, mean),
    )


def _deviation(numbers: Sequence[float], mean: float) -> float:
    """Standard deviation by two passes of exact sums, twenty times as fast as fractions.

    What the rounded mean misses is taken off again (corrected two-pass formula, Chan,
    Golub and LeVeque 1983, from memory).
    """
    away = [number - mean for number in numbers]
    missed = math.fsum(away) ** 2 / len(away)
    return math.sqrt((math.fsum(a * a for a in away) - missed) / (len(away) - 1))


def lag_one(values: Sequence[float]) -> float:
    """Autocorrelation of neighbours, as the NIST datasets define it; 0 if all are equal.

    Raises:
        UsageError: see ``checked``.
    """
    numbers = checked(values)
    mean = statistics.fmean(numbers)
    away = [number - mean for number in numbers]
    total = math.fsum(a * a for a in away)
    if total == 0:
        return 0.0
    return math.fsum(a * b for a, b in itertools.pairwise(away)) / total


def require_fraction(value: float, *, what: str) -> float:
    """A number strictly between 0 and 1.

    Raises:
        UsageError: it is not.
    """
    if not 0 < value < 1:
        raise UsageError(
            f"{what} is {value:g} and must lie between 0 and 1",
            hint="write 95 % as 0.95",
        )
    return value


def require_positive(value: float, *, what: str) -> float:
    """A finite number above zero.

    Raises:
        UsageError: it is not.
    """
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{what} is {value:g} and must be above zero")
    return value


def require_limits(low: float | None, high: float | None) -> None:
    """At least one limit, each finite, the low one below the high one.

    Raises:
        UsageError: they are not.
    """
    if low is None and high is None:
        raise UsageError(
            "there is no limit to judge by", hint="give --low, --high or both"
        )
    if any(limit is not None and not math.isfinite(limit) for limit in (low, high)):
        raise UsageError("a limit must be a finite number")
    if low is not None and high is not None and low >= high:
        raise UsageError(f"the low limit {low:g} is not below the high limit {high:g}")
