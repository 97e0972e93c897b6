"""Charts and their chances by plain NumPy, row by row and rule by rule."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from harness.errors import UsageError
from harness.quality.capability import D2_OF_TWO
from harness.quality.charts import chance
from harness.quality.charts.chance import (
    broken,
    highest_correlation,
    individuals_distances,
    judge_signals,
)
from harness.quality.charts.kinds import ChartKind, ChartPlan, panels, range_constants
from harness.quality.charts.limits import ChartLimits, RuleSet, signals

near: Any = pytest.approx
UNIT = ChartLimits(centre=0, low=-3, high=3)
RISE = [-2.5, -1.6, -0.7, 0.2, 0.9, 1.5]
WE, NELSON = RuleSet.WESTERN_ELECTRIC, RuleSet.NELSON


@pytest.mark.parametrize(
    ("rules", "series", "place"),
    [
        # the rules of Western Electric (1956): at the point that completes them
        (WE, [0, 3.01], 1), (WE, [0, -3.01], 1), (WE, [0, 3.0, 0], None),
        (WE, [2.1, 0, 2.1], 2), (WE, [2.1, 0, 0, 2.1], None), (WE, [2.1, 2.0], None),
        (WE, [2.1, -2.1, 0], None), (WE, [-2.1, -2.1], 1),
        (WE, [1.1, 1.1, 1.1, 1.1], 3), (WE, [1.1, 1.1, 1.1, 0, 1.1], 4),
        (WE, [1.1, 1.1, 0, 0, 1.1, 1.1], None), (WE, [1.1, 1.1, 1.1, 1.0], None),
        (WE, [0.1] * 8, 7), (WE, [0.1] * 7 + [-0.1], None), (WE, [0.1] * 7, None),
        (WE, [-0.1] * 8, 7),
        # Nelson (1984): nine, six, fourteen, fifteen, eight
        (NELSON, [0.1, 0.2] * 4, None), (NELSON, [0.1, 0.2, 0.1, 0.1] * 2 + [0.1], 8),
        (NELSON, RISE, 5), (NELSON, RISE[:5], None), (NELSON, RISE[::-1], 5),
        (NELSON, [*RISE[:5], 0.9], None),
        (NELSON, [0.1, -1.2] * 7, 13), (NELSON, [0.1, -1.2] * 6 + [0.1], None),
        (NELSON, [0.1, -1.2] * 6 + [0.1, 0.1], None),
        (NELSON, [-1.3, *[-1.2, 0.1] * 6, -1.2], None),
        (NELSON, [0.9, -0.9, -0.9] * 5, 14), (NELSON, [0.9, -0.9, -0.9] * 4 + [0.9, 0.9], None),
        (NELSON, [0.9, -0.9, -0.9] * 4 + [0.9, 0.9, 1.0], None),
        (NELSON, [1.1, -1.1, -1.2, 1.1] * 2, 7), (NELSON, [1.1, -1.1, -1.2, 1.1, 1.1, -1.1, -1.2], None),
        (NELSON, [1.1, -1.1, -1.2, 1.1, 1.1, -1.1, -1.2, 1.0], None),
        (RuleSet.BEYOND_LIMITS, [2.5] * 9, None), (RuleSet.BEYOND_LIMITS, [0, 3.1], 1),
    ],
)  # fmt: skip
def test_rules_at_their_edges(
    rules: RuleSet, series: list[float], place: int | None
) -> None:
    """One by one, and as many charts at once see them."""
    found = signals(series, UNIT, rules=rules)
    assert (found[0].place if found else None) == place
    many = np.flatnonzero(broken(np.array([series], dtype=float), rules)[0])
    assert many.tolist() == sorted({signal.place for signal in found})


@pytest.mark.parametrize("rules", list(RuleSet))
def test_long_series_at_once_and_one_by_one(rules: RuleSet) -> None:
    """Slow and quick ones, of 120 points each."""
    noise = np.random.default_rng(9).normal(size=(6, 120))
    rows = np.cumsum(noise, axis=1) / 4
    rows[:3] = noise[:3] * [[0.4], [1.0], [1.6]]
    rows[0, ::2] *= -1
    found = broken(rows, rules)
    for row, marks in zip(rows, found, strict=True):
        places = {s.place for s in signals(row.tolist(), UNIT, rules=rules)}
        assert set(np.flatnonzero(marks).tolist()) == places


# -- kinds of charts ---------------------------------------------------------------------

VALUES = np.round(np.random.default_rng(12).normal(20, 2, 43), 3)


def moved(panel: Any, centre: float, sigma: float, points: np.ndarray) -> None:  # noqa: ANN401
    """A panel has this centre, sigma and these points, and signals by its own rules."""
    assert panel.limits.centre == near(centre)
    assert panel.limits.high == near(centre + 3 * sigma)
    assert panel.points == near(points)
    away = (points - centre) / sigma
    assert panel.away == near(away)
    first = panel.baseline if len(points) > panel.baseline else 0
    judged = signals(away[first:].tolist(), UNIT, rules=panel.rules)
    assert panel.signals == tuple(sorted({first + s.place for s in judged}))
    assert panel.judgement.points == len(points) - first


@pytest.mark.parametrize("baseline", [25, 43, 60])
def test_individuals_and_moving_ranges(baseline: int) -> None:
    """Mean and mean moving range of the first ones; d3 / d2 of it for the ranges."""
    value, ranges = panels(VALUES.tolist(), ChartPlan(baseline=baseline))
    first = VALUES[:baseline]
    gaps = np.abs(np.diff(first))
    moved(value, float(first.mean()), float(gaps.mean()) / D2_OF_TWO, VALUES)
    d2, d3 = range_constants(2)
    moved(
        ranges,
        float(gaps.mean()),
        float(gaps.mean()) * d3 / d2,
        np.abs(np.diff(VALUES)),
    )
    assert value.limits.low == near(2 * value.limits.centre - value.limits.high)
    assert ranges.limits.low == 0.0
    assert value.baseline == min(baseline, 43)
    assert (value.name, ranges.name) == ("value", "moving range")
    assert (value.rules, ranges.rules) == (WE, RuleSet.BEYOND_LIMITS)


@pytest.mark.parametrize("size", [2, 5, 6])
def test_subgroups(size: int) -> None:
    """Means and ranges of whole subgroups; limits of the first ones by d2 and d3."""
    plan = ChartPlan(kind=ChartKind.XBAR_R, baseline=26, subgroup=size)
    mean, spread = panels(VALUES.tolist(), plan)
    groups = VALUES[: 43 // size * size].reshape(-1, size)
    count = 26 // size
    d2, d3 = range_constants(size)
    ranges = np.ptp(groups, axis=1)
    usual = float(ranges[:count].mean())
    moved(
        mean,
        float(groups[:count].mean()),
        usual / d2 / math.sqrt(size),
        groups.mean(axis=1),
    )
    moved(spread, usual, usual * d3 / d2, ranges)
    assert (mean.name, spread.name) == (f"mean of {size}", f"range of {size}")


def test_exponential_means() -> None:
    """From the baseline's mean on; sigma of the long run, sqrt(w / (2 - w))."""
    plan = ChartPlan(kind=ChartKind.EWMA, baseline=20, weight=0.3)
    (panel,) = panels(VALUES.tolist(), plan)
    first = VALUES[:20]
    level, points = float(first.mean()), []
    for value in VALUES:
        level = 0.3 * value + 0.7 * level
        points.append(level)
    sigma = np.abs(np.diff(first)).mean() / D2_OF_TWO * math.sqrt(0.3 / 1.7)
    moved(panel, float(first.mean()), float(sigma), np.array(points))


def test_rounded_readings_have_at_least_the_spread_of_their_step() -> None:
    """A step of 1 has a deviation of 1 / sqrt(12), whatever the neighbours show."""
    calm = [20.0] * 12 + [21.0] * 12 + [20.0] * 12
    value, _ = panels(calm, ChartPlan(baseline=36))
    assert value.limits.sigma == near(1 / math.sqrt(12))
    (ewma,) = panels(calm, ChartPlan(kind=ChartKind.EWMA, baseline=36))
    assert ewma.limits.sigma == near(math.sqrt(0.2 / 1.8) / math.sqrt(12))


def test_what_a_plan_says_unless_told() -> None:
    """25 readings, five a subgroup, weight 0.2 (Handbook 6.3.2.4), Western Electric."""
    plan = ChartPlan()
    assert (plan.baseline, plan.subgroup, plan.weight) == (25, 5, 0.2)
    for size, fine in ((25, True), (26, False), (2, True), (1, False)):
        wide = ChartPlan(kind=ChartKind.XBAR_R, baseline=52, subgroup=size)
        many = np.random.default_rng(size).normal(size=80).tolist()
        if fine:
            assert len(panels(many, wide)) == 2
        else:
            with pytest.raises(UsageError, match="a subgroup has 2 to 25 readings"):
                panels(many, wide)
    for values, baseline in ((9, 20), (10, 9)):
        plan = ChartPlan(kind=ChartKind.XBAR_R, baseline=baseline)
        with pytest.raises(UsageError, match="fewer than two subgroups of 5"):
            panels(list(range(values)), plan)
    assert panels([1, 3, 2, 5, 4, 4, 6, 2, 3, 1], ChartPlan(kind=ChartKind.XBAR_R, baseline=10))  # fmt: skip


@pytest.mark.parametrize(
    ("size", "d2", "d3"), [(15, 3.4718, 0.7562), (25, 3.9306, 0.7084)]
)
def test_constants_of_large_subgroups(size: int, d2: float, d3: float) -> None:
    """As the usual tables have them (ASTM E2587, table of d2 and d3, from memory)."""
    assert range_constants(size) == near((d2, d3), abs=1e-4)


# -- chance --------------------------------------------------------------------------------


def raised(numbers: np.ndarray, reach: int, rounding: float) -> float:
    """1 + phi^k by mean squares of differences over 2 k and k points, raised by its doubt."""

    def square(k: int) -> float:
        away = np.abs(numbers[k:] - numbers[:-k])
        return float(np.mean(away[away <= 6 * 1.4826 * np.median(away)] ** 2))

    found = (square(2 * reach) - rounding) / (square(reach) - rounding) - 1
    found = min(max(found, 0.0), 1.0)
    doubt = 1.28 * math.sqrt(2 * (1 + found) * reach / len(numbers))
    return float(min(min(1.0, found + doubt) ** (1 / reach), 0.995))


@pytest.mark.parametrize("phi", [0.0, 0.4, 0.9])
def test_correlation_by_differences(phi: float) -> None:
    """Over two points and one; a spike beyond six deviations does not count."""
    noise = np.random.default_rng(4).normal(size=400)
    numbers = np.zeros(400)
    for n in range(1, 400):
        numbers[n] = phi * numbers[n - 1] + noise[n]
    assert highest_correlation(numbers) == near(raised(numbers, 1, 0.0))
    spiked = numbers.copy()
    spiked[200] += 90
    assert highest_correlation(spiked) == near(raised(spiked, 1, 0.0))


def test_correlation_of_rounded_values() -> None:
    """Over so many points as it takes to go half of the way, less what rounding adds."""
    noise = np.random.default_rng(6).normal(size=600)
    numbers = np.zeros(600)
    for n in range(1, 600):
        numbers[n] = 0.95 * numbers[n - 1] + noise[n]
    step = 2.0
    rounded = np.round(numbers / step) * step

    def square(k: int) -> float:
        away = np.abs(rounded[k:] - rounded[:-k])
        return float(
            np.mean(away[away <= 6 * max(1.4826 * np.median(away), step)] ** 2)
        )

    squares = {k: square(k) for k in (1, 2, 4, 8, 16, 32)}
    reach = next(k for k in (1, 2, 4, 8, 16) if squares[k] >= max(squares.values()) / 2)
    assert reach > 2
    found = (squares[2 * reach] - step**2 / 6) / (squares[reach] - step**2 / 6) - 1
    found = min(max(found, 0), 1)
    doubt = 1.28 * math.sqrt(2 * (1 + found) * reach / 600)
    expected = min(1.0, found + doubt) ** (1 / reach)
    assert highest_correlation(rounded, step=step) == near(min(expected, 0.995))
    # without a step nothing is taken off and one point is taken
    assert highest_correlation(numbers) == near(raised(numbers, 1, 0.0))


def test_few_points_and_slow_ones() -> None:
    """Three points have one distance; a straight line is as slow as can be."""
    # one distance, and a doubt of 1.28 sqrt(2 / 3): as high as can be
    assert highest_correlation([0.0, 1.0, 0.5]) == 0.995
    assert highest_correlation(np.arange(50.0)) == 0.995


def test_simulated_charts_are_those_of_the_process() -> None:
    """AR(1) of unit variance from the same noise, scaled, moved and rounded."""
    null = chance._Null(length=40, phi=0.6, sigma=2.0, centre=9.0, step=0.5)
    rows = null.rows(np.random.default_rng(1), 3)
    noise = np.random.default_rng(1).standard_normal((3, 40))
    expected = noise.copy()
    for n in range(1, 40):
        expected[:, n] = 0.6 * expected[:, n - 1] + 0.8 * noise[:, n]
    assert rows == near(np.round((9 + 2 * expected) / 0.5) * 0.5)
    smooth = chance._Null(length=40, phi=0.6, sigma=2.0, centre=9.0, step=0.0)
    assert smooth.rows(np.random.default_rng(1), 3) == near(9 + 2 * expected)


def test_what_is_looked_at() -> None:
    """Signals, farthest point, and farthest mean of eight in a row."""
    rows = np.random.default_rng(2).normal(size=(5, 30)) * 1.4
    found = chance._looks(rows, WE, shifts=True)
    assert found[:, 0].tolist() == broken(rows, WE).sum(axis=1).tolist()
    assert found[:, 1] == near(np.abs(rows).max(axis=1))
    for row, farthest in zip(rows, found[:, 2], strict=True):
        means = np.convolve(row, np.ones(8) / 8, mode="valid")
        assert farthest == near(np.abs(means).max())
    short = chance._looks(rows[:, :3], WE, shifts=True)
    assert short[:, 2] == near(np.abs(rows[:, :3].mean(axis=1)))
    assert chance._looks(rows, WE, shifts=False).shape == (5, 2)
    assert chance._longer(100, 100).tolist() == [1, 1, 1]
    ratio = stats.norm.isf(0.5 / 200_000) / stats.norm.isf(0.5 / 20_000)
    assert chance._longer(200_000, 20_000) == near([10, ratio, ratio])


def test_distances_from_a_frozen_baseline() -> None:
    """Mean and moving range of the first ten; the rest is judged, or all."""
    rows = VALUES[np.newaxis, :30]
    first = VALUES[:10]
    sigma = float(np.abs(np.diff(first)).mean()) / D2_OF_TWO
    away = (VALUES[:30] - first.mean()) / sigma
    assert individuals_distances(baseline=10)(rows)[0] == near(away[10:])
    whole = individuals_distances(baseline=10, judge_baseline=True)
    assert whole(rows)[0] == near(away)
    wide = individuals_distances(baseline=10, least_sigma=2 * sigma)
    assert wide(rows)[0] == near(away[10:] / 2)


def test_the_number_of_charts() -> None:
    """200 at first, where they settle it; 1000 more at a time, five times 1 / alpha a look.

    A clear change: no simulated chart shows as much, so 1200 of the 1000 that two looks
    need, 2200 of the 1500 of three; p is (1 + none) / (1 + charts), times the looks.
    """
    calm = np.random.default_rng(3).normal(size=60)
    chart = individuals_distances(baseline=20)
    sound = judge_signals(calm.tolist(), chart)
    assert sound.charts == 200
    jumped = (calm + 9 * (np.arange(60) >= 40)).tolist()
    changed = judge_signals(jumped, chart)
    assert (changed.charts, changed.alpha) == (1200, 0.01)
    assert changed.p == near(2 / 1201)
    assert changed.is_more_than_chance
    three = judge_signals(jumped, chart, shifts=True)
    assert three.charts == 2200
    assert three.p == near(3 / 2201)
    assert changed.text.startswith(f"{changed.signals} of 40 points signal; chance")


def test_twenty_charts_settle_it() -> None:
    """With 19 of the first 200 more are simulated; long charts come a hundred at a time."""
    null = chance._Null(length=10, phi=0.0, sigma=1.0, centre=0.0, step=0.0)
    seen = np.array([1.0])
    for enough, charts in ((20, 200), (19, 1200)):
        left = [enough]

        def looks(rows: np.ndarray, left: list[int] = left) -> np.ndarray:
            found = np.zeros((len(rows), 1))
            found[: left[0]] = 1.0
            left[0] = len(rows)
            return found

        assert len(chance._simulated(null, looks, seen, 0.01)) == charts
    sizes: list[int] = []
    long = chance._Null(length=20_000, phi=0.0, sigma=1.0, centre=0.0, step=0.0)

    def counted(rows: np.ndarray) -> np.ndarray:
        sizes.append(len(rows))
        return np.ones((len(rows), 1))

    assert len(chance._simulated(long, counted, seen, 0.01)) == 100
    assert sizes == [100]


def test_judged_by_its_simulated_charts() -> None:
    """Mean, 99 % quantiles and p of the very charts that were simulated."""
    numbers = np.random.default_rng(15).normal(size=50)
    chart = individuals_distances(baseline=20)
    found = judge_signals(numbers.tolist(), chart)
    phi = highest_correlation(numbers)
    differences = np.diff(numbers)
    away = np.abs(differences)
    kept = differences[away <= 6 * 1.4826 * np.median(away)]
    null = chance._Null(
        length=50, phi=phi, sigma=math.sqrt(float(np.mean(kept**2)) / (2 * (1 - phi))),
        centre=float(numbers.mean()), step=0.0,
    )  # fmt: skip
    seen = chance._looks(chart(numbers[np.newaxis, :]), WE, shifts=False)[0]
    looks = chance._simulated(
        null, lambda rows: chance._looks(chart(rows), WE, shifts=False), seen, 0.01
    )
    assert found.correlation == near(phi)
    assert (found.charts, found.signals) == (len(looks), seen[0])
    assert found.farthest == near(seen[1])
    assert found.expected == near(looks[:, 0].mean())
    ordered = np.sort(looks, axis=0)
    place = math.ceil(0.99 * (len(looks) - 1))
    assert found.at_most == ordered[place, 0]
    assert found.farthest_by_chance == near(ordered[place, 1])
    tails = [(looks[:, n] >= seen[n] - 1e-12).sum() for n in (0, 1)]
    assert found.p == near(min(1.0, 2 * (1 + min(tails)) / (1 + len(looks))))
    assert not found.is_more_than_chance
