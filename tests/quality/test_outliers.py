"""Outliers against the handbook's example, and lots that have none."""

from __future__ import annotations

import statistics

import numpy as np
import pytest

from harness.quality.outliers import outliers, suspects

# Handbook 1.3.5.17.3, Rosner's data (data and table from memory)
_ROSNER = """
    -0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65
    1.69 1.70 1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24
    2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59
    3.68 4.30 4.64 5.34 5.42 6.01
"""
ROSNER = tuple(float(word) for word in _ROSNER.split())
TABLE = (
    (3.118, 3.158), (2.942, 3.151), (3.179, 3.143), (2.810, 3.136), (2.815, 3.128),
    (2.848, 3.120), (2.279, 3.111), (2.310, 3.103), (2.101, 3.094), (2.067, 3.085),
)  # fmt: skip


def test_the_handbooks_table() -> None:
    """Ten steps of the test come out as printed, distance and critical value."""
    steps = suspects(ROSNER, most=10)
    assert len(ROSNER) == 54
    for step, (distance, critical) in zip(steps, TABLE, strict=True):
        assert step.distance == pytest.approx(distance, abs=1e-3)
        assert step.critical == pytest.approx(critical, abs=1e-3)


def test_the_handbooks_verdict() -> None:
    """Three outliers, although the first two steps alone show none: they hide each other."""
    found = outliers(ROSNER)
    assert [suspect.value for suspect in found] == [6.01, 5.42, 5.34]
    assert [ROSNER[suspect.place] for suspect in found] == [6.01, 5.42, 5.34]


def test_a_small_lot_has_none() -> None:
    """Of eleven values none is called an outlier, of twelve a gross one is."""
    values = [1.0, 1.1, 0.9, 1.05, 0.95, 1.02, 0.98, 1.01, 0.99, 1.03]
    assert outliers([*values, 9.0]) == ()
    assert [s.value for s in outliers([*values, 1.04, 9.0])] == [9.0]


def test_an_even_lot_has_none() -> None:
    """Quantiles of the normal law, the farthest at 2.2 deviations of 3.1 allowed."""
    law = statistics.NormalDist()
    assert outliers([law.inv_cdf((n + 0.5) / 40) for n in range(40)]) == ()


def test_equal_values_have_none() -> None:
    """A lot without spread ends the search instead of dividing by zero."""
    assert outliers([3.0] * 20) == ()


@pytest.mark.slow
def test_normal_lots_are_left_alone() -> None:
    """Of 300 seeded normal lots about 5 % show an outlier, as stated."""
    chance = np.random.default_rng(7)
    alarms = sum(bool(outliers(chance.normal(size=50).tolist())) for _ in range(300))
    assert 3 <= alarms <= 30


def _by_definition(values: list[float], most: int) -> list[tuple[int, float]]:
    """The test as its author wrote it, mean and deviation anew for each step."""
    left, steps = list(enumerate(values)), []
    for _ in range(most):
        numbers = [value for _, value in left]
        mean, deviation = statistics.fmean(numbers), statistics.stdev(numbers)
        if deviation == 0:
            break
        chosen = max(left, key=lambda item: abs(item[1] - mean))
        steps.append((chosen[0], abs(chosen[1] - mean) / deviation))
        left.remove(chosen)
    return steps


@pytest.mark.parametrize("seed", range(20))
def test_the_quick_way_is_the_definition(seed: int) -> None:
    """Place and distance of each step, for skewed, coarse and grossly wrong values."""
    chance = np.random.default_rng(seed)
    values = chance.lognormal(size=80)
    if seed % 2:
        values = np.round(25 + 0.1 * chance.normal(size=80), 1)
    values[chance.integers(80, size=3)] = [1e6, -1e7, 1e-3]
    numbers = [float(v) for v in values]
    got = [(s.place, s.distance) for s in suspects(numbers, most=20)]
    expected = _by_definition(numbers, 20)
    assert [numbers[place] for place, _ in got] == [numbers[p] for p, _ in expected]
    assert [d for _, d in got] == pytest.approx([d for _, d in expected], rel=1e-6)


def test_a_large_lot_takes_one_sort() -> None:
    """100,000 values with a tail of outliers: each is found (a quadratic search takes hours)."""
    values = np.random.default_rng(3).normal(size=100_000)
    values[:2000] += 50
    assert sorted(s.place for s in outliers(values.tolist())) == list(range(2000))
