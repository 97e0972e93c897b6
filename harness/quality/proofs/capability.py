"""Is a lot capable? A lower bound of its percentile index whose error rate holds.

Without a history the bound is that of ``free``: it holds for every distribution and
needs 2,296 values at 95 %. With a history of earlier lots the lot is taken as another
one of the same shape, with a mean and a spread of its own:

- a history of 4,436 values or more that looks normal in body and tails: the exact bound of
  a normal lot (noncentral t), lowered by what the history leaves open of its tail;
- any other, from 2,809 values on: lots drawn from the history in place of the t
  distribution, and its percentiles as uncertain as order statistics are.

The numbers are those that show a tail of 0.135 % at all, with a share of the allowed
error: fewer values may hold none of a minority that decides the index. That a lot has the shape of its history is
tested, but a small lot cannot show it; the proof is said to rest on it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from harness.lazy import np, special
from harness.quality.capability import one_limit_at_least
from harness.quality.moments import (
    FEWEST_DISTINCT,
    checked,
    moments,
    require_fraction,
    require_limits,
)
from harness.quality.proofs import free
from harness.quality.proofs.history import History
from harness.quality.quantisation import within_steps
from harness.quality.shape import ALPHA, normal_p, piles

_TO_MISS_TAIL = 0.45
"""Share of the allowed error with which a history may hold no unit of the tail at all:
less than half, for a draw without one proves nothing."""

_TO_MISS = 0.05
"""Share of the allowed error with which a history taken for normal may hold no unit of the
tail at all. It says that there is nothing beyond the normal tail, so it has to be long."""

_DRAWS_AT_ONCE, _TIMES = 500, 8
_SEED = 20_271


class Method(StrEnum):
    """What a bound rests on."""

    FREE = "for a distribution of any shape"
    NORMAL = "for a normal lot, the shape that its earlier lots state"
    SHAPE = "for a lot of the shape of its earlier lots, whatever that is"


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexProof:
    """A lower bound of the percentile index, or why there is none.

    Attributes:
        at_least: the bound, or None.
        method: what it rests on, or None.
        why_not: why there is no bound, or why the better method was not used.
        confidence: of the bound.
        count: values of the lot.
        history: values of earlier lots, 0 without.
        share_outside: at most this share of such units is outside the limits, whatever
            the shape (Clopper and Pearson); by itself no index.
    """

    at_least: float | None
    method: Method | None
    why_not: str
    confidence: float
    count: int
    history: int
    share_outside: float

    def proves(self, wanted: float) -> bool:
        """True if the index is shown to be at least ``wanted``."""
        return self.at_least is not None and self.at_least >= wanted


def counts_that_do(confidence: float) -> tuple[int, int, int]:
    """Fewest values: of the lot alone, of a history, of a history taken for normal."""
    error = 1 - require_fraction(confidence, what="the confidence")
    return (
        free.free_count(confidence),
        free.count_for_tail(error * _TO_MISS_TAIL),
        free.count_for_tail(error * _TO_MISS),
    )


def prove_index(
    values: Sequence[float],
    *,
    low: float | None,
    high: float | None,
    history: History | None = None,
    confidence: float = 0.95,
) -> IndexProof:
    """The best bound of the percentile index that the data carry.

    Args:
        values: one a unit.
        low: lower limit, or None.
        high: upper limit, or None.
        history: earlier lots of the same process, or None.
        confidence: of the bound.

    Raises:
        UsageError: bad values, limits or confidence.
    """
    require_limits(low, high)
    numbers = checked(values)
    outside = sum(
        (low is not None and v < low) or (high is not None and v > high)
        for v in numbers
    )
    error = 1 - require_fraction(confidence, what="the confidence")
    method, bound, why_not = _bound(numbers, low, high, history, confidence)
    return IndexProof(
        at_least=bound,
        method=method,
        why_not=why_not,
        confidence=confidence,
        count=len(numbers),
        history=0 if history is None else history.count,
        share_outside=1.0
        if outside == len(numbers)
        else float(special.betaincinv(outside + 1, len(numbers) - outside, 1 - error)),
    )


_Bound = tuple[Method | None, float | None, str]


def _bound(
    numbers: Sequence[float],
    low: float | None,
    high: float | None,
    history: History | None,
    confidence: float,
) -> _Bound:
    if why := _unusable(numbers, low, high):
        return None, None, why
    why = ""
    enough = len(numbers) >= free.free_count(confidence)
    if history is not None and (_is_normal(history, confidence) or not enough):
        method, bound, why = _by_history(numbers, low, high, history, confidence)
        if bound is not None:
            return method, bound, why
    bound = free.index_at_least(numbers, low=low, high=high, confidence=confidence)
    if bound is not None:
        return Method.FREE, bound, why
    return None, None, why or f"{len(numbers)} values do not show the tails of a lot"


def _unusable(numbers: Sequence[float], low: float | None, high: float | None) -> str:
    distinct = len(set(numbers))
    if distinct < FEWEST_DISTINCT:
        return f"only {distinct} different values: the readings' step is too coarse"
    for count, limit, end in zip(
        piles(numbers), (low, high), ("lowest", "highest"), strict=True
    ):
        if count and limit is not None:
            return (
                f"{count} values are piled up at the {end} reading: what those units "
                "really have is not known"
            )
    return ""


def _is_normal(history: History, confidence: float) -> bool:
    return history.is_normal and history.count >= counts_that_do(confidence)[2]


def _by_history(
    numbers: Sequence[float],
    low: float | None,
    high: float | None,
    history: History,
    confidence: float,
) -> _Bound:
    held = f"the {history.count} values of earlier lots"
    if history.count < counts_that_do(confidence)[1]:
        return None, None, f"{held} are too few to state a shape"
    if _is_normal(history, confidence):
        p = normal_p(numbers)
        if p is not None and p < ALPHA:
            return None, None, f"the lot is not normal (p {p:.2g}), but {held} are"
        return Method.NORMAL, _normal_bound(numbers, low, high, history, confidence), ""
    judged = (low is not None, high is not None)
    if any(pile and asked for pile, asked in zip(history.piled, judged, strict=True)):
        return None, None, f"{held} are piled up at an end, so their tail is not known"
    lots = _drawn(history, len(numbers))
    if (p := lots.p_of_shape(numbers)) < ALPHA:
        return None, None, f"the lot has another shape (p {p:.2g}) than {held}"
    return Method.SHAPE, _shape_bound(numbers, low, high, lots, confidence), ""


def _sides(
    numbers: Sequence[float], low: float | None, high: float | None
) -> list[tuple[float, int]]:
    """Distance of each limit from the mean in deviations, and its sign."""
    sample = moments(numbers)
    return [
        (sign * (limit - sample.mean) / sample.deviation, sign)
        for limit, sign in ((high, 1), (low, -1))
        if limit is not None
    ]


# -- a normal history ----------------------------------------------------------------


def _normal_bound(
    numbers: Sequence[float],
    low: float | None,
    high: float | None,
    history: History,
    confidence: float,
) -> float:
    """The bound of a normal lot, less what the history says or leaves open of its tail.

    By the expansion of Cornish and Fisher a skewness g1 and an excess kurtosis g2 move
    the 99.865 % point by 8/6 g1 + 18/24 g2 and the median by -g1/6. The estimates count
    where they make the index smaller. Their errors, sqrt(6/N) and sqrt(24/N), and that
    of the lot itself are independent and add in squares.
    """
    return min(
        _normal_side(distance, sign, history, len(numbers), confidence)
        for distance, sign in _sides(numbers, low, high)
    )


def _normal_side(
    distance: float, sign: int, history: History, count: int, confidence: float
) -> float:
    skewness = sign * history.skewness
    reach = float(special.ndtri(confidence))
    plain = one_limit_at_least(distance / 3, count=count, confidence=confidence)
    own = distance - 3 * plain

    def slack(index: float) -> float:
        by_skewness = (8 * index + index - 1) / 6
        by_excess = 0.75 * index
        moved = max(0.0, by_skewness * skewness + by_excess * history.excess)
        doubt = reach * math.hypot(
            by_skewness * math.sqrt(6 / history.count),
            by_excess * math.sqrt(24 / history.count),
        )
        return distance - 3 * index - moved - math.hypot(own, doubt)

    return _largest(slack, below=plain)


def _largest(slack: Callable[[float], float], *, below: float) -> float:
    """The largest index, at most ``below``, at which nothing is lacking."""
    if below <= 0:
        return below
    low, high = 0.0, below
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if slack(middle) >= 0 else (low, middle)
    return low


# -- any other history ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """What a lot of one size may show of its history, draw by draw.

    Attributes:
        history: that it was drawn from.
        means: of drawn lots.
        deviations: of these.
        tails: 99.865 % points that the history may have, for the low and the high side;
            infinite where none of its values need lie beyond.
        medians: that it may have.
        distances: of drawn lots from the history's shape.
    """

    history: History
    means: np.ndarray
    deviations: np.ndarray
    tails: tuple[np.ndarray, np.ndarray]
    medians: np.ndarray
    distances: np.ndarray

    def p_of_shape(self, numbers: Sequence[float]) -> float:
        """How often a lot of the history is as far from its shape (Kolmogorov's distance)."""
        # as the history's, readings in steps are spread within their steps
        lot = np.asarray([within_steps(numbers)])
        seen = _distances(lot, self.history.residuals)[0]
        met = int((self.distances >= seen).sum())
        return (met + 1) / (len(self.distances) + 1)


@lru_cache(maxsize=2)
def _drawn(history: History, count: int) -> _Drawn:
    choice = np.random.default_rng(_SEED)
    residuals = history.residuals
    rows = [choice.choice(residuals, (_DRAWS_AT_ONCE, count)) for _ in range(_TIMES)]
    draws = _DRAWS_AT_ONCE * _TIMES
    # so many values lie below a quantile as a binomial count says; the next one is
    # at least that quantile
    ranks = choice.binomial(history.count, 1 - free.TAIL, (2, draws))
    middle = np.minimum(choice.binomial(history.count, 0.5, draws), history.count - 1)
    return _Drawn(
        history=history,
        means=np.concatenate([row.mean(axis=1) for row in rows]),
        deviations=np.concatenate([row.std(axis=1, ddof=1) for row in rows]),
        tails=(
            np.append(-residuals[::-1], np.inf)[ranks[0]],
            np.append(residuals, np.inf)[ranks[1]],
        ),
        medians=residuals[middle],
        distances=_distances(rows[0], residuals),
    )


def _distances(lots: np.ndarray, residuals: np.ndarray) -> np.ndarray:
    """Largest distance of each lot's distribution from the history's, both standardised."""
    count = lots.shape[1]
    spread = np.maximum(lots.std(axis=1, ddof=1, keepdims=True), 1e-300)
    scaled = np.sort((lots - lots.mean(axis=1, keepdims=True)) / spread, axis=1)
    expected = np.searchsorted(residuals, scaled, side="right") / len(residuals)
    ranks = np.arange(count + 1) / count
    above = (ranks[1:] - expected).max(axis=1)
    below = (expected - ranks[:-1]).max(axis=1)
    return np.asarray(np.maximum(above, below))


def _shape_bound(
    numbers: Sequence[float],
    low: float | None,
    high: float | None,
    lots: _Drawn,
    confidence: float,
) -> float:
    """The bound of a lot of its history's shape, from both at their possible worst.

    A limit x seen at a distance (x - mean) / deviation from a lot lies at mean +
    distance * deviation. Means and deviations of lots, and percentiles of the history,
    are drawn independently of each other; the wanted quantile of the indices that
    result is the bound (a fiducial argument; ``tests/benchmarks/test_false_proofs.py``
    prints how often it errs).
    """
    return min(
        _shape_side(distance, sign, lots, confidence)
        for distance, sign in _sides(numbers, low, high)
    )


def _shape_side(distance: float, sign: int, lots: _Drawn, confidence: float) -> float:
    tails, medians = lots.tails[sign > 0], sign * lots.medians
    away = sign * lots.means + distance * lots.deviations - medians
    found = away / np.maximum(tails - medians, 1e-300)
    return float(np.quantile(found, 1 - confidence, method="lower"))
