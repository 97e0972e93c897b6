"""Control charts against the handbook's worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.quality.charts.kinds import (
    ChartKind,
    ChartPlan,
    chart_kind,
    panels,
    range_constants,
)
from harness.quality.charts.limits import (
    ChartLimits,
    RuleSet,
    individuals_limits,
    mean_moving_range,
    signals,
)

FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_individuals() -> None:
    """Handbook 6.3.2.2: centre 50.81, mean range 1.8778, limits 55.8041 and 45.8159.

    The page divides by 1.128, the exact constant moves the fourth decimal.
    """
    found = individuals_limits(FLOW)
    assert found.centre == pytest.approx(50.81)
    assert mean_moving_range(FLOW) == pytest.approx(1.8778, abs=5e-5)
    assert found.high == pytest.approx(55.8041, abs=0.002)
    assert found.low == pytest.approx(45.8159, abs=0.002)


def test_counts() -> None:
    """Handbook 6.3.3.1: centre 16, limits 28 and 4, the last but one is out."""
    counts = (
        16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20,
        11, 19, 16, 31, 13,
    )  # fmt: skip
    limits = ChartLimits(centre=16, low=4, high=28)
    beyond = [s.place for s in signals(counts, limits) if s.rule.startswith("1 point")]
    assert beyond == [23]


def test_shares() -> None:
    """Handbook 6.3.3.2, samples of 50: .2313, .4102, .0524; samples 15 and 23 are out."""
    bad = (
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18,
        24, 15, 9, 12, 7, 13, 9, 6,
    )  # fmt: skip
    limits = ChartLimits(centre=0.2313, low=0.0524, high=0.4102)
    shares = [n / 50 for n in bad]
    beyond = [s.place for s in signals(shares, limits) if s.rule.startswith("1 point")]
    assert beyond == [14, 22]


UNIT = ChartLimits(centre=0, low=-3, high=3)
"""A chart in sigmas."""


def _rules(values: list[float], rules: RuleSet) -> list[tuple[int, str]]:
    return [(s.place, s.rule.split()[0]) for s in signals(values, UNIT, rules=rules)]


@pytest.mark.parametrize(
    ("values", "broken"),
    [
        ([0.0, 3.1], [(1, "1")]),
        ([0.0, 3.0], []),
        ([0.1, 2.1, -0.1, 2.1], [(3, "2")]),
        ([2.1, 2.1, 0.5], [(1, "2")]),
        ([2.1, -2.1, 2.0], []),
        ([1.1, 1.1, 0.5, 1.1, 1.1], [(4, "4")]),
        ([-1.1, -1.1, 0.5, -1.1, -0.9], []),
        ([0.1] * 7 + [-0.1], []),
        ([0.1] * 8, [(7, "8")]),
        ([0.1] * 4 + [0.0] + [0.1] * 4, []),
    ],
)
def test_western_electric(values: list[float], broken: list[tuple[int, str]]) -> None:
    """Each rule at its last point, on its own side; a point on a line does not count."""
    assert _rules(values, RuleSet.WESTERN_ELECTRIC) == broken


@pytest.mark.parametrize(
    ("values", "broken"),
    [
        ([0.1] * 8 + [0.2], [(8, "9")]),
        ([-0.5, -0.4, -0.2, 0.1, 0.3, 0.4], [(5, "6")]),
        ([-0.5, -0.4, -0.2, 0.1, 0.1, 0.4], []),
        ([0.2, -1.2] * 7, [(13, "14")]),
        ([0.5, -0.5, 0.4, 0.4, -0.5] * 3, [(14, "15")]),
        ([1.5, -1.5, -1.6, 1.6] * 2, [(7, "8")]),
    ],
)
def test_nelson(values: list[float], broken: list[tuple[int, str]]) -> None:
    """Nelson's four further rules, and nine instead of eight on one side."""
    assert _rules(values, RuleSet.NELSON) == broken


@pytest.mark.slow
def test_false_alarms_come_as_often_as_published() -> None:
    """All four rules: every 91.75 points (Champ and Woodall 1987, from memory); 3000 seeded runs."""
    chance = np.random.default_rng(11)
    lengths = []
    for _ in range(3000):
        values: list[float] = []
        while not (found := signals(values, UNIT) if values else ()):
            values += chance.normal(size=100).tolist()
        lengths.append(found[0].place + 1)
    error = float(np.std(lengths)) / len(lengths) ** 0.5
    assert abs(float(np.mean(lengths)) - 91.75) < 3 * error


def test_what_has_no_chart() -> None:
    """A baseline without scatter and one value are refused."""
    with pytest.raises(UsageError, match="does not scatter"):
        signals([1.0], individuals_limits([2.0, 2.0, 2.0]))
    with pytest.raises(UsageError, match="the baseline has one value"):
        individuals_limits([2.0])


# -- kinds of charts -----------------------------------------------------------------


# facts table: d2 and d3 by integration; published D4(5) is 2.114 or 2.115
@pytest.mark.parametrize(
    ("size", "d2", "d3"),
    [
        (2, 1.1284, 0.8525), (3, 1.6926, 0.8884), (4, 2.0588, 0.8798), (5, 2.3259, 0.8641),
        (6, 2.5344, 0.8480), (8, 2.8472, 0.8198), (10, 3.0775, 0.7971),
    ],
)  # fmt: skip
def test_constants_of_ranges(size: int, d2: float, d3: float) -> None:
    """d2 and d3 as tabulated; from them A2, D3 and D4 of the usual tables."""
    assert range_constants(size) == pytest.approx((d2, d3), abs=6e-5)
    if size == 5:
        d2, d3 = range_constants(5)
        assert 3 / (d2 * 5**0.5) == pytest.approx(0.5768, abs=5e-5)
        assert 1 + 3 * d3 / d2 == pytest.approx(2.1145, abs=1e-4)
        assert 1 - 3 * d3 / d2 < 0


def test_moving_ranges() -> None:
    """Handbook 6.3.2.2: mean moving range 1.8778, upper limit 6.1347 with 3.267, lower 0."""
    value, moving = panels(FLOW, ChartPlan(baseline=10))
    assert value.limits.high == pytest.approx(55.8041, abs=0.002)
    assert moving.limits.centre == pytest.approx(1.8778, abs=5e-5)
    assert moving.limits.high == pytest.approx(6.1347, abs=0.002)
    assert moving.limits.low == 0
    assert value.signals == moving.signals == ()


def test_ewma() -> None:
    """Handbook 6.3.2.4: weight 0.3, twenty values, sigma 2.0539: z and limits as printed.

    There centre and sigma were known; here they come from a baseline of the same ones.
    """
    x = (
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
        47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
    )  # fmt: skip
    z = (
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
        49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    )  # fmt: skip
    away = 2.0539 * 1.1283792 / 2
    before = [50 - away, 50 + away] * 13
    (panel,) = panels(
        [*before, *x], ChartPlan(kind=ChartKind.EWMA, baseline=26, weight=0.3)
    )
    assert panel.limits.centre == pytest.approx(50)
    assert panel.limits.sigma == pytest.approx(2.0539 * 0.420084, rel=1e-5)
    assert panel.limits.high == pytest.approx(52.5884, abs=5e-5)
    assert panel.limits.low == pytest.approx(47.4115, abs=2e-4)
    drift = panel.points[25] - 50
    expected = [value + drift * 0.7 ** (n + 1) for n, value in enumerate(z)]
    assert panel.points[26:] == pytest.approx(expected, abs=0.006)
    assert panel.signals == ()


def test_means_and_ranges_of_subgroups() -> None:
    """Five subgroups of three by hand: grand mean 2.2, mean range 2, A2 1.0233, D4 2.5746."""
    values = [1, 2, 3, 2, 2, 2, 1, 3, 2, 4, 2, 0, 1, 3, 5]
    mean, spread = panels(
        values, ChartPlan(kind=ChartKind.XBAR_R, baseline=15, subgroup=3)
    )
    assert mean.points == pytest.approx([2, 2, 2, 2, 3])
    assert list(spread.points) == [2, 0, 2, 4, 4]
    assert mean.limits.centre == pytest.approx(2.2)
    assert mean.limits.high - 2.2 == pytest.approx(1.0233 * 2.4, abs=2e-4)
    assert spread.limits.high == pytest.approx(2.5746 * 2.4, abs=5e-4)
    assert not mean.judgement.is_more_than_chance


@pytest.mark.parametrize("kind", ChartKind)
@pytest.mark.parametrize(
    ("shift", "changed"), [(0.0, False), (5.0, True), (100.0, True)]
)
def test_signals_are_held_against_chance(
    kind: ChartKind, shift: float, changed: bool
) -> None:
    """Of 20 sound lists none is called changed on any chart; each is after 5 sigma, or 100."""
    for seed in range(20):
        values = np.random.default_rng(seed).normal(size=100)
        values[60:] += shift
        found = panels(values.tolist(), ChartPlan(kind=kind))
        assert any(p.judgement.is_more_than_chance for p in found) is changed


def test_one_reading_far_out_is_more_than_chance() -> None:
    """A single point at 12 sigma does not hide in the number of signals."""
    values = np.random.default_rng(4).normal(size=100)
    values[70] = 12
    found = panels(values.tolist(), ChartPlan())
    assert found[0].judgement.is_more_than_chance
    assert 70 in found[0].signals


@pytest.mark.slow
def test_a_long_chart_is_judged_from_shorter_ones() -> None:
    """200,000 sound readings are not called changed; a shift of half a sigma in them is."""
    values = np.random.default_rng(5).normal(size=200_000)
    plan = ChartPlan(baseline=2000)
    assert not any(
        p.judgement.is_more_than_chance for p in panels(values.tolist(), plan)
    )
    values[100_000:] += 0.5
    assert panels(values.tolist(), plan)[0].judgement.is_more_than_chance


def test_charts_that_cannot_be() -> None:
    """Too few subgroups, a subgroup of one and no scatter are told with what to do."""
    values = list(range(20))
    for plan, said in (
        (ChartPlan(kind=ChartKind.XBAR_R, baseline=9), "fewer than two subgroups of 5"),
        (
            ChartPlan(kind=ChartKind.XBAR_R, subgroup=1),
            "a subgroup has 2 to 25 readings",
        ),
        (ChartPlan(kind=ChartKind.EWMA, weight=1.5), "weight of an EWMA"),
    ):
        with pytest.raises(UsageError, match=said):
            panels(values, plan)
    with pytest.raises(UsageError, match="does not scatter"):
        panels([1.0] * 30 + [2.0], ChartPlan())
    with pytest.raises(UsageError, match="there is no chart 'mine'"):
        chart_kind("mine")
