"""Bounds of capability and the shape of a history, each by its own definition."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

from harness.errors import UsageError
from harness.quality.proofs import capability as proofs
from harness.quality.proofs import free
from harness.quality.proofs.capability import Method, counts_that_do, prove_index
from harness.quality.proofs.history import History, _is_normal_tail, history_of
from harness.quality.quantisation import resolution_of, step_of, within_steps
from harness.quality.shape import normal_p, piles

near: Any = pytest.approx
TAIL = 0.00135


def normal(seed: int, count: int) -> list[float]:
    """Values of a normal lot."""
    return [float(x) for x in np.random.default_rng(seed).normal(size=count)]


# -- for any shape -------------------------------------------------------------------------


@pytest.mark.parametrize("error", [0.05, 0.045, 0.5, 0.9])
def test_values_that_show_a_tail(error: float) -> None:
    """All of one fewer lie inside of 99.865 % more often than that."""
    count = free.count_for_tail(error)
    assert (1 - TAIL) ** count <= error < (1 - TAIL) ** (count - 1)


def test_counts_of_the_methods() -> None:
    """At 95 %: 2296 values of a lot, 2809 and 4436 of a history (shares of the error)."""
    assert counts_that_do(0.95) == (2296, 2809, 4436)
    assert free.free_count(0.95) == free.count_for_tail(0.05 * 0.9)


def test_an_index_by_order_statistics() -> None:
    """The largest of 2296 for the tail, binomial ranks for the median, the worse side."""
    numbers = np.sort(normal(1, 2296))
    count = len(numbers)

    def rank(share: float, error: float) -> int:
        return next(
            r
            for r in range(1, count + 1)
            if stats.binom.cdf(r - 1, count, share) >= 1 - error
        )

    far, middle = rank(1 - TAIL, 0.045), rank(0.5, 0.005)
    assert far == 2296
    high = (5.0 - numbers[count - middle]) / (
        numbers[far - 1] - numbers[count - middle]
    )
    low = (numbers[middle - 1] + 6.0) / (numbers[middle - 1] - numbers[0])
    given = numbers.tolist()
    assert free.index_at_least(given, low=None, high=5.0) == near(high)
    assert free.index_at_least(given, low=-6.0, high=None) == near(low)
    assert free.index_at_least(given, low=-6.0, high=5.0) == near(min(high, low))
    assert free.index_at_least(given[1:], low=None, high=5.0) is None
    # inside the tail the other end of the median's interval makes it smaller
    inside = (1.0 - numbers[middle - 1]) / (numbers[far - 1] - numbers[middle - 1])
    assert free.index_at_least(given, low=None, high=1.0) == near(inside)
    assert free.index_of(2.0, tail=2.0, medians=(0.0, 1.0)) == 1.0
    assert free.index_of(3.0, tail=2.0, medians=(0.0, 1.0)) == 1.5


def test_half_a_step_outwards() -> None:
    """Readings in steps of 0.1: the tail and the median may lie half a step farther."""
    rounded = [round(value, 1) for value in normal(2, 2300)]
    numbers = np.sort(rounded)
    found = free.bounds_of_side(numbers, margin=0.05, for_tail=0.045, for_median=0.005)
    exact = free.bounds_of_side(numbers, margin=0.0, for_tail=0.045, for_median=0.005)
    assert found is not None
    assert exact is not None
    assert found[0] == near(exact[0] + 0.05)
    assert found[1] == near((exact[1][0] - 0.05, exact[1][1] + 0.05))
    bound = free.index_at_least(rounded, low=None, high=9.0)
    assert bound == near(free.index_of(9.0, tail=found[0], medians=found[1]))


# -- the shape of earlier lots -----------------------------------------------------------------


def test_residuals_from_the_others() -> None:
    """Each unit by mean and deviation of the others of its lot, as Student's t of one value more."""
    lots = [normal(3, 50), [5 + 2 * v for v in normal(4, 80)]]
    found = history_of(lots)
    by_hand, as_normal = [], []
    for lot in lots:
        numbers = np.array(lot)
        n = len(numbers)
        for place in range(n):
            others = np.delete(numbers, place)
            # Student's t of one more value, n - 2 degrees of freedom
            t = (numbers[place] - others.mean()) / (
                others.std(ddof=1) * math.sqrt(1 + 1 / (n - 1))
            )
            by_hand.append(t)
            as_normal.append(stats.norm.isf(stats.t.sf(t, n - 2)))
    ordered = np.sort(by_hand)
    assert found.residuals == near(ordered / ordered.std())
    assert found.skewness == near(stats.skew(as_normal))
    assert found.excess == near(stats.kurtosis(as_normal))
    assert (found.lots, found.count) == (2, 130)
    assert not found.is_normal  # the smaller lot has fewer than 72
    assert found.piled == (False, False)


@pytest.mark.parametrize(("count", "is_normal"), [(71, False), (72, True)])
def test_lots_that_can_be_normal(count: int, is_normal: bool) -> None:
    """From 72 on a unit at 3 deviations is not seen beyond 3.5."""
    assert 3 / math.sqrt(2 * 72) == near(0.25)
    assert history_of([normal(5, count), normal(6, 90)]).is_normal is is_normal


def test_what_is_no_history() -> None:
    """No lot, one of 49, one without spread."""
    for lots, text in (
        ([], "no lot"), ([normal(1, 49)], "has 49 values, 50 are needed"), ([[2.0] * 60], "equal values"),
    ):  # fmt: skip
        with pytest.raises(UsageError, match=text):
            history_of(lots)
    assert history_of([normal(1, 50)]).count == 50
    skewed = np.random.default_rng(2).exponential(size=300).tolist()
    assert not history_of([skewed]).is_normal
    heaped = [*normal(7, 100), *[-9.0] * 12, *[9.0] * 3]
    assert history_of([heaped]).piled == (True, False)


@pytest.mark.parametrize(
    ("beyond", "fine"),
    [
        # of 1000 normal values 1.35 lie beyond 3 and 0.23 beyond 3.5
        ([], True), ([3.1] * 5, True), ([3.1] * 6, False), ([3.6], True), ([3.6, 3.6], True),
        ([3.6] * 3, False), ([4.05], True), ([4.2], False),
    ],
)  # fmt: skip
def test_the_tail_of_a_normal_history(beyond: list[float], fine: bool) -> None:
    """As many beyond 3 and 3.5 as chance allows at 1 %, and none farther than 2.5 % allow."""
    values = np.sort([*np.linspace(-2.9, 2.9, 1000 - len(beyond)), *beyond])
    by_three = stats.binom.sf((values > 3).sum() - 1, 1000, stats.norm.sf(3))
    by_more = stats.binom.sf((values > 3.5).sum() - 1, 1000, stats.norm.sf(3.5))
    largest = 1 - stats.norm.cdf(values[-1]) ** 1000
    allowed = min(by_three, by_more) >= 0.01 and largest >= 0.025
    assert bool(allowed) is fine
    assert _is_normal_tail(values) is fine


# -- shape ---------------------------------------------------------------------------------


def test_normality_by_the_library() -> None:
    """Shapiro alone below 20 values; doubled with skewness and kurtosis from there on."""
    few, many = normal(8, 19), np.random.default_rng(9).exponential(size=40).tolist()
    assert normal_p(few) == near(stats.shapiro(few).pvalue)
    both = min(stats.shapiro(many).pvalue, stats.normaltest(many).pvalue)
    assert normal_p(many) == near(min(1.0, 2 * both))
    twenty = normal(10, 20)
    smaller = min(stats.shapiro(twenty).pvalue, stats.normaltest(twenty).pvalue)
    assert normal_p(twenty) == near(min(1.0, 2 * smaller))
    for none in ([1.0, 2.0], [3.0] * 9):
        assert normal_p(none) is None
    assert normal_p([1.0, 2.0, 4.0]) == near(stats.shapiro([1, 2, 4]).pvalue)
    assert normal_p([*normal(7, 60), *[9.0] * 12]) == 0.0
    steps = [round(2 * value) / 2 for value in normal(11, 60)]
    spread = within_steps(steps)
    smaller = min(stats.shapiro(spread).pvalue, stats.normaltest(spread).pvalue)
    assert normal_p(steps) == near(min(1.0, 2 * smaller))


@pytest.mark.parametrize(
    ("low", "before", "others", "pile"),
    [
        (4, 1, 5, 0),  # four of a kind come by chance
        (5, 1, 5, 0),  # binomial: 7 of 64
        (8, 1, 40, 0),
        (9, 1, 40, 0),  # 11 of 1024
        (10, 1, 40, 10),
        (9, 9, 40, 0),
        (14, 2, 3, 14),
        # against the usual: 9 where 4 are usual come once in 47 times
        (9, 0, 4, 0),
    ],
)
def test_a_heap_at_an_end(low: int, before: int, others: int, pile: int) -> None:
    """More than half of the last two readings, and more than usual: both at 1 %."""
    rest = [float(n) for n in range(others) for _ in range(4 if before == 0 else 1)]
    values = [-2.0] * low + [-1.0] * before + rest
    assert piles(values)[0] == pile
    assert piles([-value for value in values])[1] == pile
    counts = [low, before or 4]
    usual = (len(values) - low) / (len(set(values)) - 1)
    chance = max(
        stats.binom.sf(low - 1, sum(counts), 0.5), stats.poisson.sf(low - 1, usual)
    )
    assert bool(low >= 5 and chance < 0.01) is (pile > 0)
    assert piles([1.0] * 9) == (0, 0)


def test_steps_of_readings() -> None:
    """Each value twice or more on average; the usual distance; spread over the step."""
    assert step_of([1, 1, 2, 2, 3, 3]) == 1
    assert step_of([1, 1, 2, 2, 3]) == 0
    assert step_of([1, 1, 1]) == 0
    assert step_of([0, 0, 1, 1, 3, 3, 4, 4]) == 1
    assert within_steps([2, 1, 2, 1]) == near((0.75, 1.25, 1.75, 2.25))
    assert within_steps([1, 1, 1, 5, 5, 5]) == near(
        (1 - 4 / 3, 1, 1 + 4 / 3, 5 - 4 / 3, 5, 5 + 4 / 3)
    )
    assert within_steps([3.0, 1.0, 2.5]) == (1.0, 2.5, 3.0)
    # of a gauge: the smallest distance, where all are whole ones of it within a fifth
    assert resolution_of([0, 0, 1, 1, 3, 3]) == 1
    assert resolution_of([0, 0, 1, 1, 2.19, 2.19]) == 1
    assert resolution_of([0, 0, 1, 1, 2.21, 2.21]) == 0
    assert resolution_of([0, 0, 1, 1, 2]) == 0
    assert resolution_of([4.0, 4.0]) == 0


# -- proofs ---------------------------------------------------------------------------------


def history(
    *, skewness: float = 0.0, excess: float = 0.0, count: int = 5000
) -> History:
    """A normal history with these moments."""
    return History(
        lots=50, residuals=np.sort(stats.norm.ppf((np.arange(count) + 0.5) / count)),
        skewness=skewness, excess=excess, is_normal=True, piled=(False, False),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("skewness", "excess"), [(0.0, 0.0), (0.05, 0.1), (-0.05, -0.1)]
)
def test_the_bound_of_a_normal_lot(skewness: float, excess: float) -> None:
    """Noncentral t, less what the history's skewness and excess say and leave open."""
    lot = normal(12, 60)
    distance = (6.0 - np.mean(lot)) / np.std(lot, ddof=1)
    root = math.sqrt(60)
    plain = optimize.brentq(
        lambda x: stats.nct.sf(distance * root, 59, 3 * x * root) - 0.05, 0.5, 4
    )
    own, z = distance - 3 * plain, stats.norm.ppf(0.95)

    def lacking(index: float) -> float:
        by_skew, by_excess = (9 * index - 1) / 6, 0.75 * index
        moved = max(0.0, by_skew * skewness + by_excess * excess)
        doubt = z * math.hypot(
            by_skew * math.sqrt(6 / 5000), by_excess * math.sqrt(24 / 5000)
        )
        return float(distance - 3 * index - moved - math.hypot(own, doubt))

    expected = optimize.brentq(lacking, 0, plain)
    found = prove_index(
        lot, low=None, high=6.0, history=history(skewness=skewness, excess=excess)
    )
    assert found.method is Method.NORMAL
    assert found.at_least == near(expected, abs=1e-6)
    assert (found.history, found.count, found.confidence) == (5000, 60, 0.95)
    turned = prove_index(
        [-v for v in lot], low=-6.0, high=None, history=history(skewness=-skewness, excess=excess)
    )  # fmt: skip
    assert turned.at_least == near(expected, abs=1e-6)
    assert found.proves(expected - 1e-3)
    assert not found.proves(expected + 1e-3)


def test_which_method() -> None:
    """The history where it says enough, else the lot's own order statistics, else none."""
    lot, long = normal(12, 60), normal(13, 2296)
    for values, past, method, why in (
        (lot, None, None, "60 values"),
        (lot, history(count=2808), None, "2808 values of earlier lots are too few"),
        (long, None, Method.FREE, ""),
        (long, history(count=2808), Method.FREE, ""),
        (long, history(count=4436), Method.NORMAL, ""),
        (lot, history(count=4436), Method.NORMAL, ""),
        (lot, history(count=4435), Method.SHAPE, ""),
    ):
        found = prove_index(values, low=-7, high=7, history=past)
        assert found.method is method
        assert why in found.why_not
    skewed = np.random.default_rng(3).exponential(size=60).tolist()
    odd = prove_index(skewed, low=None, high=9, history=history())
    assert odd.method is None
    assert "the lot is not normal" in odd.why_not
    coarse = prove_index([1.0, 1.0, 2.0] * 9, low=0, high=3)
    assert "different values" in coarse.why_not
    heaped = [*normal(7, 60), *[9.0] * 12]
    assert (
        "piled up at the highest reading"
        in prove_index(heaped, low=None, high=9.5).why_not
    )
    assert "piled" not in prove_index(heaped, low=-9, high=None).why_not


def test_units_outside() -> None:
    """Clopper and Pearson's bound of the share outside of either limit."""
    values = [*normal(12, 58), 5.0, -5.0]
    for low, high, outside in ((None, 4.0, 1), (-4.0, 4.0, 2), (-6.0, 6.0, 0), (-4.0, None, 1), (5.0, 6.0, 59)):  # fmt: skip
        found = prove_index(values, low=low, high=high).share_outside
        exact = stats.binomtest(outside, 60, alternative="less").proportion_ci(0.95)
        assert found == near(exact.high)
    assert prove_index(values, low=8.0, high=9.0).share_outside == 1.0


def test_distances_between_shapes() -> None:
    """Kolmogorov's, of a standardised lot from the history; by the library's test."""
    past = history(count=4435)
    lot = np.array(normal(21, 40))
    scaled = (lot - lot.mean()) / lot.std(ddof=1)
    expected = stats.ks_2samp(scaled, past.residuals).statistic
    assert proofs._distances(lot[np.newaxis, :], past.residuals)[0] == near(
        expected, abs=1e-3
    )
    drawn = proofs._drawn(past, 40)
    assert len(drawn.distances) == 500
    assert len(drawn.means) == len(drawn.deviations) == len(drawn.medians) == 4000
    seen = proofs._distances(np.array([within_steps(lot.tolist())]), past.residuals)[0]
    assert drawn.p_of_shape(lot.tolist()) == near(
        (1 + (drawn.distances >= seen).sum()) / 501
    )
    # means and deviations of lots of 40, medians and tails of 4435 values
    assert drawn.means.std() == near(1 / math.sqrt(40), rel=0.06)
    assert drawn.deviations.mean() == near(1, abs=0.02)
    assert drawn.medians.std() == near(math.sqrt(math.pi / 2 / 4435), rel=0.1)
    for tails in drawn.tails:
        finite = tails[np.isfinite(tails)]
        assert np.median(finite) == near(3.0, abs=0.06)
        assert np.isinf(tails).mean() == near((1 - TAIL) ** 4435, abs=0.003)
    for sign, distance in ((1, 4.0), (-1, 4.0)):
        away = sign * drawn.means + distance * drawn.deviations - sign * drawn.medians
        index = away / (drawn.tails[sign > 0] - sign * drawn.medians)
        expected = np.sort(index)[math.floor(0.05 * 3999)]
        found = proofs._shape_side(distance, sign, drawn, 0.95)
        assert found == near(expected)
