"""Permutation tests of two lots: means within a margin, spreads below a ratio.

Exactly at the margin two lots of one shape, one of them shifted or scaled by it, cannot
be told apart: any units may be exchanged between them. So the level holds for every
shape, skewed and heavy-tailed ones too, where Welch's t and the F test have none. Spreads
are compared whatever the means are, but units can be exchanged only between lots
that lie at one place. Centring each lot on its own mean is not enough: of 20 skewed units
against 200, 7.2 % of 1,000 pairs passed at a level of 5 %. So the largest p over all
differences of the means that the data allow counts, and the chance that the true
difference is another one is added (Berger and Boos, J. Am. Stat. Assoc. 89 (1994)
1012-1016; from memory). For lots of different shapes the level holds with many units only,
since the statistic is divided by its own standard error (Janssen 1997; Pauly 2011; both
from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from harness.lazy import np, stats
from harness.quality.moments import checked, require_positive

RESAMPLES = 1999
"""Random exchanges; all of them where there are fewer. A p of 0.05 then has a standard
error of 0.005."""

_ELSEWHERE = 0.005
"""Chance that the true difference of the means is outside the interval that is searched: a
tenth of the usual level, so that what is added to p costs little power."""

_PLACES = (-1.0, -0.5, 0.0, 0.5, 1.0)
"""Where in that interval p is computed, in half widths; it changes slowly between."""

MOST_EXCHANGED = 3000
"""Units of a lot that are exchanged at most; of a larger lot so many drawn at random, which
holds the level. The statistic's normal limit would not: 20 exponential units against
5,000 pass 22 % of the time by it, 500 against 4,500 log-normal ones (1.0) 17 %."""

_AT_ONCE = 1_000_000
_SEED = 20_272

if TYPE_CHECKING:
    Statistic = Callable[..., np.ndarray]


def difference_p(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    resamples: int = RESAMPLES,
) -> float:
    """The p of "the means differ by the margin or more"; small if they are equal.

    Args:
        first: values of a lot.
        second: values of the other one, in the same unit.
        margin: largest difference that does not matter, in that unit.
        resamples: random exchanges.

    Raises:
        UsageError: too few values, or a margin that is none.
    """
    require_positive(margin, what="the margin")
    a, b = _drawn(first, second)
    return max(
        _p(b, a + margin, _welch, resamples), _p(a - margin, b, _welch, resamples)
    )


def ratio_p(
    first: Sequence[float],
    second: Sequence[float],
    *,
    margin: float,
    resamples: int = RESAMPLES,
) -> float:
    """The p of "the first deviation is ``margin`` times the second or more".

    Args:
        first: values of a lot.
        second: values of the other one, in the same unit.
        margin: ratio of the standard deviations.
        resamples: random exchanges.

    Raises:
        UsageError: too few values, or a margin that is none.
    """
    require_positive(margin, what="the margin")
    a, b = _drawn(first, second)
    a, b = (a - a.mean()) / margin, b - b.mean()
    error = np.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b))
    fewest = min(len(a), len(b)) - 1
    half = stats.t.ppf(1 - _ELSEWHERE / 2, fewest) * error
    found = (_p(a + place * half, b, _log_ratio, resamples) for place in _PLACES)
    return min(1.0, max(found) + _ELSEWHERE)


def _drawn(*lots: Sequence[float]) -> Iterator[np.ndarray]:
    """The values of each lot, or as many of a larger one as are exchanged."""
    chance = np.random.default_rng(_SEED)
    for values in lots:
        numbers = np.asarray(checked(values))
        is_large = len(numbers) > MOST_EXCHANGED
        yield (
            chance.choice(numbers, MOST_EXCHANGED, replace=False)
            if is_large
            else numbers
        )


def _p(a: np.ndarray, b: np.ndarray, statistic: Statistic, resamples: int) -> float:
    """Chance of a statistic as low as that of ``a`` and ``b`` if units are exchanged."""
    found = stats.permutation_test(
        (a, b),
        statistic,
        vectorized=True,
        n_resamples=resamples,
        batch=max(1, _AT_ONCE // (len(a) + len(b))),
        alternative="less",
        rng=np.random.default_rng(_SEED),
    )
    return float(found.pvalue)


def _welch(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
    """Difference of the means over its standard error."""
    error = sum(x.var(axis=axis, ddof=1) / x.shape[axis] for x in (a, b))
    return np.asarray(
        (a.mean(axis=axis) - b.mean(axis=axis)) / np.sqrt(np.maximum(error, 1e-300))
    )


def _log_ratio(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
    """Logarithm of the ratio of deviations over its standard error.

    The variance of ln s is (kurtosis - 1) / (4 n); 2 / n more keeps it above zero.
    """
    logs, error = [], np.asarray(0.0)
    for x in (a, b):
        count = x.shape[axis]
        away = x - x.mean(axis=axis, keepdims=True)
        square = np.maximum((away**2).mean(axis=axis), 1e-300)
        kurtosis = (away**4).mean(axis=axis) / square**2
        error = error + (np.maximum(kurtosis, 1) - 1 + 2 / count) / (4 * count)
        logs.append(0.5 * np.log(square * count / (count - 1)))
    return np.asarray((logs[0] - logs[1]) / np.sqrt(error))
