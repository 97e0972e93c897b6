"""Comparisons of two lots against SciPy's, or by every exchange of their units."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy import stats

from harness.errors import UsageError
from harness.quality.comparison import (
    MeanVerdict,
    equivalence,
    hedges_g,
    levene,
    mean_difference,
    pooled_t,
    shape_distance,
    spread_ratio,
    variance_ratio,
)
from harness.quality.moments import moments
from harness.quality.proofs.exchange import difference_p, ratio_p

CHANCE = np.random.default_rng(20_260_401)
A = CHANCE.normal(10.0, 1.0, 23).tolist()
B = CHANCE.normal(10.4, 1.7, 31).tolist()
near: Callable[..., Any] = pytest.approx


def test_welch() -> None:
    """t, p, degrees and interval of two means with unequal spreads."""
    found = mean_difference(moments(A), moments(B), confidence=0.9)
    library = stats.ttest_ind(A, B, equal_var=False)
    interval = library.confidence_interval(0.9)
    assert (found.t, found.p) == (near(library.statistic), near(library.pvalue))
    assert found.degrees == near(library.df)
    assert (found.low, found.high) == (near(interval.low), near(interval.high))
    assert found.difference == near(np.mean(A) - np.mean(B))
    assert found.error == near(math.hypot(stats.sem(A), stats.sem(B)))
    default = mean_difference(moments(A), moments(B))
    assert default.low == near(library.confidence_interval(0.95).low)


def test_student_and_hedges() -> None:
    """The pooled test, and the effect in its deviations with the factor J (Hedges 1981)."""
    t, degrees, deviation = pooled_t(moments(A), moments(B))
    library = stats.ttest_ind(A, B)
    assert (t, degrees) == (near(library.statistic), 52)
    pooled = math.sqrt((22 * np.var(A, ddof=1) + 30 * np.var(B, ddof=1)) / 52)
    assert deviation == near(pooled)
    effect = (np.mean(A) - np.mean(B)) / pooled
    assert hedges_g(moments(A), moments(B)) == near(effect * (1 - 3 / (4 * 52 - 1)))


@pytest.mark.parametrize(
    ("shift", "margin", "verdict"),
    [
        (0.0, 2.0, MeanVerdict.EQUAL),
        (0.0, 0.3, MeanVerdict.UNDECIDED),
        (4.0, 1.0, MeanVerdict.DIFFERENT),
        (-4.0, 1.0, MeanVerdict.DIFFERENT),
        (1.2, 1.0, MeanVerdict.UNDECIDED),
    ],
)
def test_two_one_sided_tests(shift: float, margin: float, verdict: MeanVerdict) -> None:
    """The larger p of two one-sided Welch tests; the interval of 1 - 2 alpha."""
    first = [value + shift for value in A]
    found = equivalence(moments(first), moments(B), margin=margin, alpha=0.04)
    above = stats.ttest_ind(
        [v + margin for v in first], B, equal_var=False, alternative="greater"
    )
    below = stats.ttest_ind(
        [v - margin for v in first], B, equal_var=False, alternative="less"
    )
    interval = stats.ttest_ind(first, B, equal_var=False).confidence_interval(0.92)
    assert found.p == near(max(above.pvalue, below.pvalue))
    assert (found.t_low, found.t_high) == (near(above.statistic), near(below.statistic))
    assert (found.low, found.high) == (near(interval.low), near(interval.high))
    assert found.verdict is verdict


def test_the_ratio_of_variances() -> None:
    """F, its two-sided p, and the interval of the ratio; never a p above one."""
    f, p, low, high = variance_ratio(moments(A), moments(B), confidence=0.9)
    ratio = np.var(A, ddof=1) / np.var(B, ddof=1)
    assert f == near(ratio)
    assert p == near(2 * min(stats.f.cdf(ratio, 22, 30), stats.f.sf(ratio, 22, 30)))
    assert low == near(ratio / stats.f.ppf(0.95, 22, 30))
    assert high == near(ratio / stats.f.ppf(0.05, 22, 30))
    assert variance_ratio(moments(A), moments(A))[1] == near(1.0)
    found = spread_ratio(A, B)
    assert found.ratio**2 == near(found.f) == near(ratio)
    assert found.low == near(math.sqrt(ratio / stats.f.ppf(0.975, 22, 30)))
    assert found.high == near(math.sqrt(ratio / stats.f.ppf(0.025, 22, 30)))
    library = stats.levene(A, B, center="median")
    assert (found.levene, found.levene_p) == (
        near(library.statistic),
        near(library.pvalue),
    )


def test_spreads_that_cannot_be_compared() -> None:
    """Pairs show nothing, three values do; no spread and one lot are refused."""
    assert levene([1.0, 2.0], [1.0, 9.0]) == (0.0, 1.0)
    three = levene([1.0, 2.0, 4.0], [1.0, 9.0])
    library = stats.levene([1, 2, 4], [1, 9], center="median")
    assert three == (near(library.statistic), near(library.pvalue))
    for lots in (([1.0, 2.0],), ([1.0, 1.0, 1.0], [2.0, 2.0])):
        with pytest.raises(UsageError):
            levene(*lots)
    with pytest.raises(UsageError, match="spread of a lot"):
        variance_ratio(moments([1.0, 1.0]), moments(A))
    with pytest.raises(UsageError, match="neither lot"):
        mean_difference(moments([1.0, 1.0]), moments([2.0, 2.0]))
    distance, p = shape_distance(A, B)
    library_ks = stats.ks_2samp(A, B, method="exact")
    assert (distance, p) == (near(library_ks.statistic), near(library_ks.pvalue))


def _every_exchange(
    first: Sequence[float], second: Sequence[float], statistic: object
) -> float:
    """Share of all exchanges with a statistic as low as the one seen."""
    assert callable(statistic)
    pool = np.array([*first, *second])
    places = range(len(pool))
    seen, low, count = statistic(np.array(first), np.array(second)), 0, 0
    for chosen in itertools.combinations(places, len(first)):
        rest = [place for place in places if place not in chosen]
        low += statistic(pool[list(chosen)], pool[rest]) <= seen + 1e-9
        count += 1
    return low / count


def _t(a: np.ndarray, b: np.ndarray) -> float:
    error = a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)
    return float((a.mean() - b.mean()) / math.sqrt(error))


def _log_s(a: np.ndarray, b: np.ndarray) -> float:
    error = sum(
        (max(stats.kurtosis(x, fisher=False), 1) - 1 + 2 / len(x)) / (4 * len(x))
        for x in (a, b)
    )
    return float(math.log(a.std(ddof=1) / b.std(ddof=1)) / math.sqrt(error))


def test_every_exchange_of_few_units() -> None:
    """All 126 exchanges of four and five units: the p of means and of spreads."""
    first, second = [1.0, 2.2, 1.7, 1.4], [1.5, 2.0, 1.1, 1.8, 1.65]
    margin = 0.6
    up = _every_exchange(second, [v + margin for v in first], _t)
    down = _every_exchange([v - margin for v in first], second, _t)
    assert difference_p(first, second, margin=margin) == near(max(up, down))

    # the largest p over the differences of the means within 99.5 %, and the 0.5 % besides
    a, b = (np.array(first) - np.mean(first)) / 3.0, np.array(second) - np.mean(second)
    error = math.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b))
    half = float(stats.t.ppf(0.9975, 3)) * error
    moved = ([float(v + place * half) for v in a] for place in (-1, -0.5, 0, 0.5, 1))
    rest = [float(v) for v in b]
    expected = max(_every_exchange(one, rest, _log_s) for one in moved) + 0.005
    assert ratio_p(first, second, margin=3.0) == near(expected)
