"""Outliers, powers and lines against SciPy's, or by their definition."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from harness.errors import UsageError
from harness.quality.outliers import outliers, suspects
from harness.quality.trend import trend
from harness.quality.unit_counts import (
    difference_power,
    equivalence_power,
    units_for_difference,
    units_for_equivalence,
)

CHANCE = np.random.default_rng(20_260_401)
A = CHANCE.normal(10.0, 1.0, 23).tolist()
B = CHANCE.normal(10.4, 1.7, 31).tolist()
near: Callable[..., Any] = pytest.approx


def _rosner(
    values: Sequence[float], most: int, alpha: float
) -> list[tuple[int, float, float]]:
    """Place, distance and critical distance of each step, by the handbook's recipe."""
    left = dict(enumerate(values))
    found = []
    for _ in range(most):
        numbers = np.array(list(left.values()))
        n = len(numbers)
        mean, s = numbers.mean(), numbers.std(ddof=1)
        place = max(left, key=lambda key: (round(abs(left[key] - mean), 9), -key))
        t = stats.t.ppf(1 - alpha / (2 * n), n - 2)
        critical = (n - 1) * t / math.sqrt((n - 2 + t * t) * n)
        found.append((place, abs(left[place] - mean) / s, critical))
        del left[place]
    return found


@settings(max_examples=25)
@given(
    values=st.lists(
        st.integers(-40, 40).map(lambda n: n / 4), min_size=14, max_size=30, unique=True
    ),
    alpha=st.sampled_from([0.05, 0.01]),
)
def test_steps_by_the_handbook_s_recipe(values: list[float], alpha: float) -> None:
    """Farthest value, its distance, and what chance explains (1.3.5.17.3)."""
    steps = suspects(values, most=4, alpha=alpha)
    for step, (place, distance, critical) in zip(
        steps, _rosner(values, 4, alpha), strict=False
    ):
        assert step.distance == near(distance)
        assert step.critical == near(critical)
        assert step.value == values[step.place]
        assert step.place == place or step.distance == near(distance)
    assert len(steps) == 4


def test_how_many_are_looked_at() -> None:
    """A tenth of a lot, one at least, none of fewer than twelve; three must be left."""
    calm = [n / 7 for n in range(11)]
    assert outliers([*calm[:10], 99.0]) == ()
    assert [s.place for s in outliers([*calm, 99.0])] == [11]
    twenty = [math.sin(n) for n in range(17)]
    assert len(outliers([*twenty, 40.0, 50.0])) == 1  # of 19 one may be
    assert len(outliers([*twenty, 0.5, 40.0, 50.0])) == 2  # of 20 two
    assert len(suspects([1.0, 2.0, 4.0, 9.0, 7.0], most=9)) == 2
    assert suspects([1.0, 2.0, 4.0], most=2) == ()
    # the last beyond its distance decides, and takes those before it along
    masked = [*[math.sin(n) for n in range(28)], 6.0, 6.1]
    assert {s.value for s in outliers(masked)} == {6.0, 6.1}


@pytest.mark.parametrize("count", [2, 6, 25])
def test_power_by_simulation_free_definitions(count: int) -> None:
    """The noncentral t of both tails; and the two one-sided tests, integrated over s."""
    degrees, shift = 2 * count - 2, 0.9 * math.sqrt(count / 2)
    t = stats.t.ppf(0.975, degrees)
    power = stats.nct.sf(t, degrees, shift) + stats.nct.cdf(-t, degrees, shift)
    assert difference_power(count=count, shift_sigmas=0.9) == near(power)
    t = stats.t.ppf(0.95, degrees)
    u = np.linspace(1e-6, 6, 4001)
    density = stats.chi2.pdf(u * u * degrees, degrees) * 2 * u * degrees
    passed = np.maximum(0, 2 * stats.norm.cdf(1.5 * math.sqrt(count / 2) - t * u) - 1)
    expected = float(np.trapezoid(passed * density, u))
    found = equivalence_power(count=count, margin_sigmas=1.5)
    assert found == near(expected, abs=2e-4)


def test_fewest_units() -> None:
    """One unit fewer has not that power; two are the least there are."""
    for sigmas in (0.8, 1.5):
        equal = units_for_equivalence(margin_sigmas=sigmas, power=0.8)
        assert equivalence_power(count=equal, margin_sigmas=sigmas) >= 0.8
        assert equivalence_power(count=equal - 1, margin_sigmas=sigmas) < 0.8
        seen = units_for_difference(shift_sigmas=sigmas)
        assert difference_power(count=seen, shift_sigmas=sigmas) >= 0.9
        assert difference_power(count=seen - 1, shift_sigmas=sigmas) < 0.9
    assert units_for_difference(shift_sigmas=500) == 2
    assert units_for_difference(shift_sigmas=4.0) == 3
    with pytest.raises(UsageError, match="more than 1000000 units"):
        units_for_difference(shift_sigmas=1e-4)
    with pytest.raises(UsageError, match="two units"):
        difference_power(count=1, shift_sigmas=1)


@pytest.mark.parametrize("count", [8, 12, 60, 300])
def test_a_line_by_its_definition(count: int) -> None:
    """Prewhitened by the raised correlation, then the slow waves of what is left."""
    at = np.arange(count) / 10
    noise = np.random.default_rng(count).normal(size=count)
    values = 0.3 * at + noise
    found = trend(at, values)
    assert found is not None
    slope, level = np.polyfit(at, values, 1)
    assert found.slope == near(slope)
    rest = values - slope * at - level
    phi = float(rest[1:] @ rest[:-1]) / float(rest @ rest)
    phi = (phi + 2 / count) / max(0.2, 1 - 4 / count)
    phi += math.sqrt(max(0.0, 1 - min(phi, 1.0) ** 2) / count)
    phi = min(max(phi, 0.0), 0.97)
    assert found.correlation == near(phi)
    # what was fitted: the line and the level, each prewhitened
    y = values[1:] - phi * values[:-1]
    line = (at - at.mean())[1:] - phi * (at - at.mean())[:-1]
    fitted = np.column_stack([line, np.full(count - 1, 1 - phi)])
    wanted = min(8, max(4, round(0.4 * (count - 1) ** (2 / 3))))
    waves = min(wanted, count - 1 - 2 - 1)
    place = (np.arange(count - 1) + 0.5) / (count - 1)
    rows = list(np.linalg.qr(fitted)[0].T)
    powers = []
    for wave in range(1, waves + 2):
        left = np.cos(np.pi * wave * place)
        for _ in (0, 1):
            for row in rows:
                left = left - (left @ row) * row
        left = left / np.linalg.norm(left)
        rows.append(left)
        powers.append(float(left @ y) ** 2)
    beside = line - fitted[:, 1] * (line @ fitted[:, 1]) / (fitted[:, 1] @ fitted[:, 1])
    weight = float(beside @ beside)
    assert found.degrees == len(powers)
    assert found.error == near(math.sqrt(np.mean(powers) / weight))
    ratio = abs(float(beside @ y) / weight) / found.error
    assert found.p == near(2 * stats.t.sf(ratio, len(powers)))
    assert found.half_width(0.99) == near(stats.t.ppf(0.995, len(powers)) * found.error)


def test_how_few_points_have_a_line() -> None:
    """Eight; two more for each further part and for each series beside."""
    chance = np.random.default_rng(4)

    def line(count: int, parts: int = 1, beside: int = 0) -> bool:
        at = np.arange(count) / 1.0
        found = trend(
            at,
            chance.normal(size=count),
            parts=[n * parts // count for n in range(count)],
            beside=[chance.normal(size=count) for _ in range(beside)],
        )
        return found is not None

    assert [line(7), line(8)] == [False, True]
    assert [line(9, parts=2), line(10, parts=2)] == [False, True]
    assert [line(9, beside=1), line(10, beside=1)] == [False, True]
    assert [line(13, parts=2, beside=2), line(14, parts=2, beside=2)] == [False, True]


def test_what_lies_on_its_line() -> None:
    """Beyond doubt where it rises by more than rounding; no line where it does not."""
    at = np.arange(20) / 1.0
    found = trend(at, 5 + 0.25 * at)
    assert found is not None
    assert (found.error, found.degrees, found.p) == (0.0, 1, 0.0)
    assert found.correlation == 0.0
    assert trend(at, np.full(20, 1e6)) is None
    assert trend(at, 1e6 + 1e-5 * at) is None
    # what stands beside it and is the line itself leaves nothing to test
    noisy = at + np.random.default_rng(1).normal(size=20)
    assert trend(at, noisy, beside=[2 * at]) is None
