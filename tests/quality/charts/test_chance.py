"""Signals of a control chart against those that chance alone gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal as filters

from harness.errors import UsageError
from harness.quality.charts.chance import (
    Rows,
    broken,
    highest_correlation,
    individuals_distances,
    judge_signals,
)
from harness.quality.charts.limits import (
    ChartLimits,
    RuleSet,
    individuals_limits,
    signals,
)

UNIT = ChartLimits(centre=0, low=-3, high=3)


def ar1(seed: int, *, length: int, phi: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:  # fmt: skip
    """A stationary AR(1) series of unit variance."""
    noise = np.random.default_rng(seed).standard_normal(length + 300)
    grown = filters.lfilter([1.0], [1.0, -phi], noise)[300:]
    return np.asarray(grown * (1 - phi**2) ** 0.5, dtype=float)


@pytest.mark.parametrize("rules", list(RuleSet))
@given(
    away=st.lists(
        st.sampled_from([-3.5, -2.5, -1.5, -0.5, 0.0, 0.4, 0.6, 1.5, 2.5, 3.0, 3.5]),
        min_size=1,
        max_size=40,
    )
)
def test_rules_of_many_charts_are_those_of_one(
    rules: RuleSet, away: list[float]
) -> None:
    """The rules applied to many charts at once find the places that one by one finds."""
    found = np.flatnonzero(broken(np.array([away]), rules)[0]).tolist()
    assert found == sorted({s.place for s in signals(away, UNIT, rules=rules)})


def test_distances_are_those_of_the_chart() -> None:
    """Limits from the first points: the handbook's flow rates (6.3.2.2), by the same formula."""
    flow = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
    limits = individuals_limits(flow)
    away = individuals_distances(baseline=10, judge_baseline=True)(np.array([flow]))
    assert away[0] * limits.sigma + limits.centre == pytest.approx(np.array(flow))


def test_chance_gives_what_is_published() -> None:
    """Rule 1 with limits known beforehand: one of 370.4 points (statistics handbooks).

    The mean over the simulated charts must agree within four standard errors.
    """
    values = ar1(3, length=2000, phi=0).tolist()
    found = judge_signals(
        values, lambda rows: rows, rules=RuleSet.BEYOND_LIMITS, sigma=1, centre=0
    )
    error = (2000 / 370.4 / found.charts) ** 0.5
    # the correlation is raised by its doubt, which leaves the share of rule 1 as it is
    assert found.expected == pytest.approx(2000 / 370.4, abs=4 * error * 1.5)
    assert not found.is_more_than_chance


def test_at_the_level_itself_there_is_more_than_chance() -> None:
    """A Monte Carlo test refuses at p <= alpha, which then has just that chance (Dwass 1957)."""
    calm = ar1(3, length=60, phi=0).tolist()
    found = judge_signals(
        calm, lambda rows: rows, rules=RuleSet.BEYOND_LIMITS, sigma=1, centre=0
    )
    assert replace(found, p=found.alpha).is_more_than_chance
    assert not replace(found, p=found.alpha * 1.001).is_more_than_chance


@pytest.mark.parametrize(("phi", "step"), [(0, 0.0), (0, 1.0), (0.6, 0.0), (0.9, 0.5)])
def test_sound_charts_pass(phi: float, step: float) -> None:
    """Of 30 seeded charts that do not change at most one is called changed (nominal 1 %)."""
    false = 0
    for seed in range(30):
        values = ar1(seed, length=240, phi=phi)
        if step:
            values = np.round(values / step) * step
        found = judge_signals(
            values.tolist(),
            individuals_distances(baseline=60, least_sigma=step / 2),
            step=step,
        )
        false += found.is_more_than_chance
    assert false <= 1


def test_a_change_is_found() -> None:
    """Three sigmas from the middle on, one point far out: each is more than chance."""
    calm = ar1(1, length=240, phi=0)
    moved = calm + 3 * (np.arange(240) >= 120)
    spike = calm + 12 * (np.arange(240) == 200)
    chart = individuals_distances(baseline=60)
    assert not judge_signals(calm.tolist(), chart).is_more_than_chance
    assert judge_signals(moved.tolist(), chart).is_more_than_chance
    found = judge_signals(spike.tolist(), chart)
    assert found.is_more_than_chance
    assert found.farthest > 8 > found.farthest_by_chance


def test_other_charts_bring_their_own_distances() -> None:
    """Means of five with limits from their own spread go the same way."""

    def means(rows: Rows) -> Rows:
        groups = rows.reshape(rows.shape[0], -1, 5)
        middle = groups.mean(axis=2)
        sigma = groups.std(axis=2, ddof=1).mean(axis=1, keepdims=True) / 5**0.5
        away: Rows = (middle - middle.mean(axis=1, keepdims=True)) / sigma
        return away

    calm = ar1(7, length=200, phi=0)
    moved = calm + 2 * (np.arange(200) >= 100)
    assert judge_signals(calm.tolist(), means).points == 40
    assert not judge_signals(calm.tolist(), means).is_more_than_chance
    assert judge_signals(moved.tolist(), means).is_more_than_chance


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_correlation_is_not_made_of_a_change(phi: float) -> None:
    """A step of three sigmas moves the estimate by less than its doubt."""
    calm = ar1(2, length=2000, phi=phi)
    moved = calm + 3 * (np.arange(2000) >= 900)
    assert highest_correlation(calm) == pytest.approx(phi, abs=0.12)
    assert highest_correlation(moved) == pytest.approx(
        highest_correlation(calm), abs=0.03
    )


def test_same_values_same_words() -> None:
    """The simulation is seeded: the same chart is judged alike each time."""
    values = ar1(5, length=100, phi=0.3).tolist()
    chart = individuals_distances(baseline=25)
    assert judge_signals(values, chart) == judge_signals(values, chart)


def test_values_that_never_differ_have_no_chart() -> None:
    """Nothing to judge, said so."""
    with pytest.raises(UsageError, match="never differ"):
        judge_signals([1.0] * 30, individuals_distances(baseline=25))
