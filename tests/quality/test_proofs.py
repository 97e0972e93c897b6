"""Proofs that hold for data like the lot's: levels in a reduced, seeded simulation.

The full tables are printed by ``tests/benchmarks/test_false_proofs.py``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.errors import UsageError
from harness.quality.capability import capability, one_limit_at_least
from harness.quality.proofs import free
from harness.quality.proofs.capability import Method, counts_that_do, prove_index
from harness.quality.proofs.comparison import prove_means, prove_spread
from harness.quality.proofs.exchange import difference_p, ratio_p
from harness.quality.proofs.history import History, history_of
from harness.quality.shape import normal_p, piles
from tests.lot_distributions import ALL, SOURCES, Law, Source


def _history(source: Source, *, lots: int = 25, seed: int = 1) -> History:
    made = source.draw(np.random.default_rng(seed), (lots, 200))
    return history_of(made.tolist())


def _even(count: int, law: Law = stats.norm) -> list[float]:
    return [float(law.ppf((n + 0.5) / count)) for n in range(count)]


# -- few values alone ----------------------------------------------------------------


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize("count", [20, 50, 200])
def test_few_values_alone_prove_nothing(name: str, count: int) -> None:
    """However far the limits are: the tails of a lot are not seen by 200 values."""
    source = SOURCES[name]
    lot = source.draw(np.random.default_rng(3), (count,)).tolist()
    found = prove_index(lot, low=None, high=source.high_limit(9.0))
    assert found.at_least is None
    assert not found.proves(0.1)
    assert found.why_not


def test_counts_that_do() -> None:
    """ln(error) / ln(0.99865) rounded up; 0.045, 0.0225 and 0.0025 (recomputed)."""
    assert counts_that_do(0.95) == (2296, 2809, 4436)
    for count, error in zip(counts_that_do(0.95), (0.045, 0.0225, 0.0025), strict=True):
        assert 0.99865**count <= error < 0.99865 ** (count - 1)


def test_the_bound_is_an_order_statistic() -> None:
    """Of 0 to 2999 the largest value bounds the percentile; the median by its binomial rank."""
    values = [float(n) for n in range(3000)]
    found = free.index_at_least(values, low=None, high=6000.0)
    # 0.045 allows the largest value only: 0.99865^3000 = 0.0174, with one more 0.0879
    rank = next(k for k in range(1, 3001) if stats.binom.cdf(k - 1, 3000, 0.5) >= 0.995)
    middle = values[3000 - rank]
    assert found == pytest.approx((6000 - middle) / (2999 - middle), abs=1e-12)
    turned = free.index_at_least([-v for v in values], low=-6000.0, high=None)
    assert turned == pytest.approx(found, abs=1e-12)
    both = free.index_at_least(values, low=-9000.0, high=6000.0)
    assert both == found


@pytest.mark.parametrize(
    ("count", "is_bounded"), [(2200, False), (2295, False), (2296, True)]
)
def test_from_which_count_on_the_largest_value_bounds_a_tail(
    count: int, is_bounded: bool
) -> None:
    """Of the 5 % nine tenths are for the tail: ln(0.045) / ln(0.99865) = 2295.2."""
    found = free.index_at_least([float(n) for n in range(count)], low=None, high=9e3)
    assert (found is not None) is is_bounded


def test_share_outside() -> None:
    """Clopper and Pearson: 0 of 3000 at most 1 - 0.05^(1/3000), all outside 100 %."""
    values = [float(n) for n in range(3000)]
    inside = prove_index(values, low=None, high=1e4)
    assert inside.share_outside == pytest.approx(1 - 0.05 ** (1 / 3000))
    assert prove_index(values, low=None, high=-1.0).share_outside == 1.0


def test_limits_that_are_none() -> None:
    """A lower limit above the upper one, or no limit at all."""
    for low, high in ((2.0, 1.0), (None, None)):
        with pytest.raises(UsageError):
            prove_index([float(n) for n in range(50)], low=low, high=high)
        with pytest.raises(UsageError):  # before anything is said of the values
            prove_index([1.0] * 50, low=low, high=high)


@pytest.mark.parametrize(("lots", "size", "states"), [(52, 54, False), (53, 53, True)])
def test_how_many_values_state_a_shape(lots: int, size: int, states: bool) -> None:
    """ln(0.0225) / ln(0.99865) = 2808.3: 52 lots of 54 are too few, 53 of 53 do."""
    chance = np.random.default_rng(8)
    history = history_of(chance.exponential(size=(lots, size)).tolist())
    found = prove_index(_even(50, stats.expon), low=None, high=30.0, history=history)
    assert ("too few to state a shape" not in found.why_not) is states


def test_steps_move_the_ends_outwards() -> None:
    """A reading in steps stands for a value up to half a step away."""
    values = [float(round(v)) for v in _even(4000, stats.norm(0, 4))]
    found = free.index_at_least(values, low=None, high=40.0)
    # 0.99865^4000 with up to one value beyond is 0.029, so the last but one bounds it
    tail = sorted(values)[-2] + 0.5
    assert found == pytest.approx((40 + 0.5) / (tail + 0.5))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["normal", "exponential", "t3", "normal in 1/16 K"])
def test_the_bound_for_any_shape_keeps_its_level(name: str) -> None:
    """At 2,400 values no more than 5 % of 200 lots at the margin are proved (3 errors)."""
    source, chance = SOURCES[name], np.random.default_rng(5)
    high = source.high_limit(1.33)
    lots = source.draw(chance, (200, 2400)).tolist()
    false = sum(prove_index(lot, low=None, high=high).proves(1.33) for lot in lots)
    assert false <= 200 * (0.05 + 3 * math.sqrt(0.05 * 0.95 / 200))


# -- a history -----------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["normal", "exponential", "t5", "t30", "2 % at 6 deviations"]
)
def test_a_history_keeps_the_level(name: str) -> None:
    """History and lots of one source, at the margin: at most 5 % of 150 lots (3 errors)."""
    source, chance = ALL[name], np.random.default_rng(11)
    high = source.high_limit(1.33)
    false = 0
    for seed in range(15):
        history = _history(source, seed=seed)
        for lot in source.draw(chance, (10, 50)).tolist():
            found = prove_index(lot, low=None, high=high, history=history)
            false += found.proves(1.33)
    assert false <= 150 * (0.05 + 3 * math.sqrt(0.05 * 0.95 / 150))


def test_residuals_of_a_history_leave_their_own_value_out() -> None:
    """Each against mean and deviation of the others, by leaving it out (its definition)."""
    lot = np.random.default_rng(5).normal(25.0, 0.3, 60)
    others = [np.delete(lot, n) for n in range(60)]
    deleted = [
        (value - rest.mean()) / (rest.std(ddof=1) * math.sqrt(1 + 1 / 59))
        for value, rest in zip(lot, others, strict=True)
    ]
    by_definition = np.sort(deleted) / np.std(deleted)
    assert history_of([lot.tolist()]).residuals == pytest.approx(by_definition)


@pytest.mark.parametrize("count", [20, 50, 200])
def test_a_normal_history_keeps_the_power(count: int) -> None:
    """Of 10,000 normal values the bound is at most 2.5 % below that of the normal model."""
    history = _history(SOURCES["normal"], lots=50)
    assert history.is_normal
    lot = _even(count)
    found = prove_index(lot, low=-6.0, high=6.5, history=history)
    deviation = float(np.std(lot, ddof=1))
    plain = one_limit_at_least(6.0 / (3 * deviation), count=count)
    assert found.method is Method.NORMAL
    assert found.at_least is not None
    assert 0.975 * plain < found.at_least <= plain


def test_a_history_of_small_lots_is_not_taken_for_normal() -> None:
    """Lots of 50 know their own deviation to a tenth: units far out are not counted right.

    That the lots are drawn from a normal distribution does not change it.
    """
    draws = np.random.default_rng(3).normal(size=(100, 72))
    assert history_of(draws.tolist()).is_normal
    assert not history_of(draws[:, :71].tolist()).is_normal


def test_a_history_that_is_not_normal() -> None:
    """Exponential lots: no normal model, but their own percentiles and drawn lots."""
    source = SOURCES["exponential"]
    history = _history(source)
    assert not history.is_normal
    lot = _even(200, stats.expon)
    found = prove_index(lot, low=None, high=source.high_limit(2.5), history=history)
    assert found.method is Method.SHAPE
    assert found.at_least is not None
    assert 1.33 < found.at_least < 2.5
    other = prove_index(_even(200), low=None, high=20.0, history=history)
    assert other.at_least is None
    assert "another shape" in other.why_not


@pytest.mark.parametrize("turned", [False, True])
def test_a_history_that_is_piled_up(turned: bool) -> None:
    """Earlier lots cut at one end: only a limit at that end asks for the tail there."""
    made = np.random.default_rng(5).exponential(size=(25, 200))
    cut = np.minimum(made, 2.0)
    history = history_of((-cut if turned else cut).tolist())
    assert history.piled == ((True, False) if turned else (False, True))
    sign = -1.0 if turned else 1.0
    lot = [sign * v for v in np.minimum(_even(20, stats.expon), 1.99).tolist()]
    ends = {"at": 40.0 * sign, "other": -40.0 * sign}
    for end, limit in ends.items():
        low, high = (limit, None) if limit < 0 else (None, limit)
        found = prove_index(lot, low=low, high=high, history=history)
        assert ("piled up at an end" in found.why_not) is (end == "at"), found.why_not


def test_a_history_of_another_shape_or_too_short() -> None:
    """A skewed lot is refused a normal history; 2,800 values are too few for any."""
    normal = _history(SOURCES["normal"])
    skewed = prove_index(_even(50, stats.expon), low=None, high=40.0, history=normal)
    assert skewed.at_least is None
    assert "is not normal (p" in skewed.why_not
    short = _history(SOURCES["normal"], lots=14)
    found = prove_index(_even(50), low=-9.0, high=9.0, history=short)
    assert found.at_least is None
    assert "2800 values of earlier lots are too few" in found.why_not


def test_small_lots_of_a_history_keep_their_tails() -> None:
    """Of normal lots of 50 the residuals are Student's t of 48 degrees (Thompson 1935)."""
    made = np.random.default_rng(2).normal(size=(1000, 50)) * 7 + 3
    history = history_of(made.tolist())
    beyond = float((np.abs(history.residuals) > 3).mean())
    law = 2 * stats.t.sf(3 * math.sqrt(48 / 46), 48)
    assert law > 0.0027
    assert abs(beyond - law) < 3 * math.sqrt(law / 50_000)
    assert abs(history.excess) < 3 * math.sqrt(24 / 50_000)
    with pytest.raises(UsageError, match="49 values, 50 are needed"):
        history_of([_even(49)])
    with pytest.raises(UsageError, match="no lot"):
        history_of([])
    with pytest.raises(UsageError, match="equal values only"):
        history_of([[1.0] * 60])


def test_a_unit_does_not_hide_behind_the_deviation_that_it_makes() -> None:
    """One unit 8 deviations away in one of 60 lots of 50: the history shows 8, not 5.3."""
    history = history_of([[*_even(49), 8.0], *([_even(50)] * 59)])
    ends = history.residuals[-1] / np.quantile(np.abs(history.residuals), 0.6827)
    assert 7.5 < ends < 8.6


@pytest.mark.slow
@pytest.mark.parametrize("lots", [(100, 50), (25, 200)])
def test_a_minority_in_lots_of_any_size(lots: tuple[int, int]) -> None:
    """0.5 % at 8 deviations, lots at the margin: at most 5 % of 400 proved (3 errors)."""
    source, chance = ALL["0.5 % at 8 deviations"], np.random.default_rng(33)
    proved = 0
    for _ in range(20):
        history = history_of(source.draw(chance, lots).tolist())
        for _ in range(20):
            lot = source.draw(chance, (100,)).tolist()
            found = prove_index(
                lot, low=None, high=source.high_limit(1.33), history=history
            )
            proved += found.proves(1.33)
    assert proved <= 400 * (0.05 + 3 * math.sqrt(0.05 * 0.95 / 400))


# -- shape ---------------------------------------------------------------------------


@pytest.mark.parametrize("count", [200, 5000, 5001, 20_000])
def test_the_warning_does_not_vanish_with_more_values(count: int) -> None:
    """Skewed, heavy-tailed and piled lots are not normal at any number of values."""
    chance = np.random.default_rng(4)
    normal = chance.normal(size=count)
    for values in (
        chance.exponential(size=count),
        chance.standard_t(3, size=count),
        np.minimum(normal, 1.5),
        np.round(np.clip(normal, -1.5, 1.5) / 0.25) * 0.25,
    ):
        found = capability(values.tolist(), low=-9, high=9)
        assert found.normal_p is not None
        assert found.normal_p < 0.01
        assert found.percentiles is not None
    p = normal_p(normal.tolist())
    assert p is not None
    assert p > 0.01


def test_piled_values_prove_nothing() -> None:
    """A sensor at its limit hides what those units have; the other end is still known."""
    made = np.minimum(np.random.default_rng(4).normal(size=4000), 2.0).tolist()
    assert piles(made) == (0, made.count(2.0))
    found = prove_index(made, low=None, high=20.0)
    assert not found.proves(0.1)
    assert "piled up at the highest reading" in found.why_not
    assert prove_index(made, low=-20.0, high=None).proves(1.33)


def test_steps_are_no_pile() -> None:
    """Of 300 normal lots in steps of 0.6 deviations at most 1 % a side look piled."""
    made = np.round(np.random.default_rng(9).normal(size=(300, 200)) / 0.6) * 0.6
    assert sum(any(piles(lot)) for lot in made.tolist()) <= 6


# -- two lots ------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", ["normal", "exponential", "t3", "uniform"])
@pytest.mark.parametrize("counts", [(20, 20), (20, 100), (100, 20)])
def test_two_lots_at_the_margin(name: str, counts: tuple[int, int]) -> None:
    """Spread or mean exactly at the margin: at most 5 % of 200 pairs are proved (3 errors)."""
    source, chance = ALL[name], np.random.default_rng(21)
    spread = mean = 0
    for _ in range(200):
        first, second = (source.draw(chance, (n,)) for n in counts)
        wide = (first * 1.5).tolist()
        spread += prove_spread(
            wide, second.tolist(), margin=1.5, resamples=199
        ).is_proved
        up = (first + 3.0).tolist()
        mean += prove_means(up, second.tolist(), margin=3.0, resamples=199).is_proved
    assert max(spread, mean) <= 200 * (0.05 + 3 * math.sqrt(0.05 * 0.95 / 200))


@pytest.mark.slow
@pytest.mark.parametrize("counts", [(10, 10), (100, 10)])
def test_few_skewed_units_at_the_margin(counts: tuple[int, int]) -> None:
    """Lots centred on their own means are no longer exchangeable: 7 to 8 % would pass.

    At most 5 % of 400 pairs are proved, and two standard errors.
    """
    chance = np.random.default_rng(22)
    found = 0
    for _ in range(400):
        wide, second = (
            chance.lognormal(0, 1, n) * s
            for n, s in zip(counts, (1.5, 1.0), strict=True)
        )
        found += prove_spread(
            wide.tolist(), second.tolist(), margin=1.5, resamples=199
        ).is_proved
    assert found <= 400 * (0.05 + 2 * math.sqrt(0.05 * 0.95 / 400))


def test_means_do_not_matter_to_a_spread() -> None:
    """Lots anywhere: the p of their spreads stays; few even units show a large difference."""
    first, second = _even(12), [100 * value for value in _even(12)]
    found = ratio_p(first, second, margin=1.5)
    assert ratio_p([v + 1000 for v in first], second, margin=1.5) == found < 0.05
    assert ratio_p(second, first, margin=1.5) > 0.9


def test_two_units_show_nothing() -> None:
    """Two against two: six exchanges, so no p below 1/6, and no crash."""
    assert ratio_p([25.0, 25.1], [25.0, 25.4], margin=1.5) >= 1 / 6
    assert difference_p([25.0, 25.1], [25.0, 25.4], margin=9.0) >= 1 / 6
    assert not prove_spread([25.0, 25.1], [25.0, 25.4], margin=1.5).is_proved


def test_of_large_lots_some_units_are_exchanged() -> None:
    """Of 20,000 units 3,000 are drawn: equal spreads and means are shown, a wider one is not."""
    made = np.random.default_rng(1).normal(size=(2, 20_001))
    first, second = made.tolist()
    assert ratio_p(first, second, margin=1.1, resamples=199) < 0.05
    wide = (1.2 * made[0]).tolist()
    assert ratio_p(wide, second, margin=1.1, resamples=199) > 0.5
    assert difference_p(first, second, margin=0.1, resamples=199) < 0.05


def test_a_large_lot_beside_a_small_one() -> None:
    """The normal limit of the statistic calls a fifth of such skewed pairs proved."""
    chance = np.random.default_rng(23)
    found = 0
    for _ in range(40):
        first, second = chance.exponential(size=20), chance.exponential(size=5000)
        wide = (1.5 * first).tolist()
        found += prove_spread(
            wide, second.tolist(), margin=1.5, resamples=199
        ).is_proved
    assert found <= 4
