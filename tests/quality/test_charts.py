"""Control charts against the handbook's worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.quality.charts import (
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
