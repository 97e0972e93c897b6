"""What can be stated about a distribution's shape: normality at any number of values, piles.

A pile is a heap of equal readings at the end of a lot, as a sensor or a converter at its
limit makes it: what those units really have is not known.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from harness.lazy import np, special, stats
from harness.quality.quantisation import within_steps

ALPHA = 0.01
"""Below this p a lot is not taken for normal, and an end not for free of a pile."""

_MOST_FOR_SHAPIRO = 5000
"""The p of Shapiro and Wilk is made for up to so many values (Royston 1995, AS R94)."""

_FEWEST_FOR_MOMENTS = 20
"""From so many values on skewness and kurtosis have their p (SciPy's normaltest)."""

_FEWEST_IN_PILE = 5
"""Four of a kind come more often than once in 100 times, if one is usual (Poisson 1.9 %)."""

_SEED = 20_270


def normal_p(values: Sequence[float]) -> float | None:
    """The p of normality; None below three values or if all are equal.

    The smaller p of two tests, doubled: Shapiro and Wilk's, beyond 5,000 values on so
    many drawn at random (seeded), sees the body; skewness and kurtosis of all values
    (D'Agostino and Pearson 1973) see the tails. Readings in steps are spread within
    their steps first, see ``steps``; values piled up at an end are not normal.
    """
    if len(values) < 3 or len(set(values)) == 1:
        return None
    if any(piles(values)):
        return 0.0
    numbers = np.asarray(within_steps(values), dtype=float)
    drawn = numbers
    if len(numbers) > _MOST_FOR_SHAPIRO:
        choice = np.random.default_rng(_SEED)
        drawn = choice.choice(numbers, _MOST_FOR_SHAPIRO, replace=False)
    found = float(stats.shapiro(drawn).pvalue)
    if len(numbers) < _FEWEST_FOR_MOMENTS:
        return found
    return min(1.0, 2 * min(found, float(stats.normaltest(numbers).pvalue)))


def piles(values: Sequence[float]) -> tuple[int, int]:
    """Values piled up at the low and at the high end of a sample; 0 where there are none.

    Towards its end a distribution falls: of the readings on the last value and on the
    one before it no more than half are on the last (binomial), and no more than on
    the other values on average (Poisson). A heap that chance makes once in 100 times
    is a pile. An edge where the distribution is densest, as of exponential values in
    steps, cannot be distinguished from one.
    """
    counts = sorted(Counter(values).items())
    if len(counts) < 2:
        return 0, 0
    ends = [count for _, count in counts]
    return _pile(ends, len(values)), _pile(ends[::-1], len(values))


def _pile(counts: Sequence[int], total: int) -> int:
    last, before = counts[0], counts[1]
    if last < _FEWEST_IN_PILE:
        return 0
    usual = (total - last) / (len(counts) - 1)
    chance = max(
        float(special.bdtrc(last - 1, last + before, 0.5)),
        float(special.pdtrc(last - 1, usual)),
    )
    return last if chance < ALPHA else 0
