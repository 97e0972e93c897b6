"""Values that do not belong to their lot.

Generalised extreme studentised deviate test (Rosner 1983), NIST/SEMATECH e-Handbook
of Statistical Methods, 1.3.5.17.3: it finds several outliers that hide each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from harness.quality.moments import checked, moments, require_fraction

_FEWEST = 12
"""A tail of a smaller lot cannot be told from its middle (common practice)."""

_MOST_SHARE = 0.1
"""No more than this share of a lot is looked upon as outliers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One step of the test: the value farthest from the mean of those left.

    Attributes:
        place: its place in the sample, from 0.
        value: itself.
        distance: from the mean in deviations.
        critical: largest distance that chance explains.
    """

    place: int
    value: float
    distance: float
    critical: float


def suspects(
    values: Sequence[float], *, most: int, alpha: float = 0.05
) -> tuple[Suspect, ...]:
    """The steps of the test, farthest value first.

    Args:
        values: the sample.
        most: how many steps; at least three values must be left.
        alpha: chance to find an outlier in a normal lot that has none.
    """
    require_fraction(alpha, what="alpha")
    left = list(enumerate(checked(values)))
    steps: list[Suspect] = []
    while len(steps) < most and len(left) > 3:
        sample = moments([value for _, value in left])
        if sample.deviation == 0:
            break
        mean = sample.mean
        chosen = max(left, key=lambda item: abs(item[1] - mean))
        steps.append(
            Suspect(
                place=chosen[0],
                value=chosen[1],
                distance=abs(chosen[1] - mean) / sample.deviation,
                critical=_critical(len(left), alpha),
            )
        )
        left.remove(chosen)
    return tuple(steps)


def outliers(values: Sequence[float], *, alpha: float = 0.05) -> tuple[Suspect, ...]:
    """Values that are no part of a normal lot, farthest first.

    Of fewer than twelve values none is called an outlier, and never more than a tenth.
    """
    numbers = checked(values)
    if len(numbers) < _FEWEST:
        return ()
    most = max(1, math.floor(_MOST_SHARE * len(numbers)))
    steps = suspects(numbers, most=most, alpha=alpha)
    # the last step beyond its critical distance decides, and takes those before along
    count = max(
        (n for n, step in enumerate(steps, 1) if step.distance > step.critical),
        default=0,
    )
    return steps[:count]


def _critical(left: int, alpha: float) -> float:
    """Critical distance with so many values left."""
    t = float(special.stdtrit(left - 2, 1 - alpha / (2 * left)))
    return (left - 1) * t / math.sqrt((left - 2 + t * t) * left)
