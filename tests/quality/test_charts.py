"""Control charts against the handbook's worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from harness.errors import UsageError
from harness.quality.charts import (
    ChartLimits,
    RuleSet,
    count_limits,
    cumulative_sums,
    individuals_limits,
    mean_moving_range,
    moving_range_limits,
    share_limits,
    signals,
    weighted_limits,
    weighted_means,
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
    assert moving_range_limits(FLOW).high == pytest.approx(6.1347, abs=0.001)
    assert moving_range_limits(FLOW).high / mean_moving_range(FLOW) == pytest.approx(
        3.2665319, abs=5e-8
    )


EWMA_X = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
    47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
EWMA_Z = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
    49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def test_weighted_averages() -> None:
    """Handbook 6.3.2.4: all twenty averages, limits 52.5884 and 47.4115."""
    means = weighted_means(EWMA_X, weight=0.3, start=50)
    assert means == pytest.approx(EWMA_Z, abs=0.0051)
    limits = weighted_limits(centre=50, sigma=2.0539, weight=0.3)
    assert limits.high == pytest.approx(52.5884, abs=1e-4)
    assert limits.low == pytest.approx(47.4115, abs=1e-4)


CUSUM_X = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
    324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
    326.875, 328.350,
)  # fmt: skip


def test_cumulative_sums() -> None:
    """Handbook 6.3.2.3: sums of both sides, first alarm at the 14th value with 4.94."""
    found = cumulative_sums(CUSUM_X, target=325, slack=0.3175, limit=4.1959)
    assert found.alarms == tuple(range(13, 20))
    assert found.up[12:] == pytest.approx(
        (3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035), abs=1e-9
    )
    # printed: .01 at 2, .33 at 4, then .56 .72 .17 .25 .31 at 7 to 11
    assert found.down[1] == pytest.approx(0.0075)
    assert found.down[3] == pytest.approx(0.3325)
    assert found.down[6:11] == pytest.approx((0.5575, 0.715, 0.1725, 0.255, 0.3125))


def test_counts() -> None:
    """Handbook 6.3.3.1: centre 16, limits 28 and 4, the last but one is out."""
    counts = (
        16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20,
        11, 19, 16, 31, 13,
    )  # fmt: skip
    found = count_limits(counts)
    assert (found.centre, found.high, found.low) == pytest.approx((16, 28, 4))
    beyond = [s.place for s in signals(counts, found) if s.rule.startswith("1 point")]
    assert beyond == [23]


def test_shares() -> None:
    """Handbook 6.3.3.2, samples of 50: .2313, .4102, .0524; samples 15 and 23 are out."""
    bad = (
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18,
        24, 15, 9, 12, 7, 13, 9, 6,
    )  # fmt: skip
    found = share_limits(bad, size=50)
    assert (found.centre, found.high, found.low) == pytest.approx(
        (0.2313, 0.4102, 0.0524), abs=5.1e-5
    )
    shares = [n / 50 for n in bad]
    beyond = [s.place for s in signals(shares, found) if s.rule.startswith("1 point")]
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
    """A baseline without scatter, one value and too many bad units are refused."""
    with pytest.raises(UsageError, match="does not scatter"):
        signals([1.0], individuals_limits([2.0, 2.0, 2.0]))
    with pytest.raises(UsageError, match="the baseline has one value"):
        individuals_limits([2.0])
    with pytest.raises(UsageError, match="more bad units"):
        share_limits([60, 70], size=50)
    with pytest.raises(UsageError, match="weight is 1"):
        weighted_means([1.0], weight=1.0, start=0)
