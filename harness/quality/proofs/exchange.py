"""Permutation tests of two lots: means within a margin, spreads below a ratio.

Exactly at the margin two lots of one shape, one of them shifted or scaled by it, cannot
be told apart: any units may be exchanged between them. So the level holds for every
shape, skewed and heavy-tailed ones too, where Welch's t and the F test have none. For
spreads it holds nearly: the lots are centred on their own means first, which of ten
exponential units lets 7.4 % through instead of 5 %, of twenty 5.6 %. For lots of different
shapes it holds with many units only, since the statistic is divided by
its own standard error (Janssen 1997; Pauly 2011; both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from harness.lazy import np, special, stats
from harness.quality.moments import checked, require_positive

RESAMPLES = 1999
"""Random exchanges; all of them where there are fewer. A p of 0.05 then has a standard
error of 0.005."""

FEWEST_FOR_SPREAD = 20
"""Units of each lot at least for a proof of its spread (2,000 pairs of lots simulated:
exponential 5.6 %, lognormal 6.2 % at a level of 5 %; of ten exponential units 7.4 %)."""

_MOST_FOR_EXCHANGE = 20_000
"""With more units in both lots together the statistic is taken as normal."""

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
    a, b = (np.asarray(checked(values)) for values in (first, second))
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
    a, b = (_centred(values) for values in (first, second))
    return _p(a / margin, b, _log_ratio, resamples)


def _centred(values: Sequence[float]) -> np.ndarray:
    """Distances from the mean, scaled to the variance that they had before centring."""
    numbers = np.asarray(checked(values))
    count = len(numbers)
    return np.asarray((numbers - numbers.mean()) * np.sqrt(count / (count - 1)))


def _p(a: np.ndarray, b: np.ndarray, statistic: Statistic, resamples: int) -> float:
    """Chance of a statistic as low as that of ``a`` and ``b`` if units are exchanged."""
    if len(a) + len(b) > _MOST_FOR_EXCHANGE:
        return float(special.ndtr(statistic(a, b, axis=-1)))
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
