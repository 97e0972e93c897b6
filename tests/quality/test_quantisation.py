"""Readings in steps: recognised, and no longer taken for a lot that is not normal."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.quality.capability import capability
from harness.quality.quantisation import step_of, within_steps
from harness.quality.shape import normal_p

STEP = 1 / 16
"""Of a 12-bit thermometer, in K (data sheet family 28h, p. 4)."""


def _in_steps(values: np.ndarray) -> list[float]:
    return [float(v) for v in np.round(values / STEP) * STEP]


def test_the_step_of_a_thermometer() -> None:
    """A sixteenth of a kelvin, though one value is a mean of two readings."""
    values = _in_steps(np.random.default_rng(1).normal(21, 0.1, 200))
    assert step_of(values) == STEP
    assert step_of([*values, 21.46875]) == STEP


def test_numbers_without_ties_have_no_step() -> None:
    """They stay as they are, in rising order."""
    values = [float(v) for v in np.random.default_rng(1).normal(size=50)]
    assert step_of(values) == 0.0
    assert within_steps(values) == tuple(sorted(values))


@pytest.mark.parametrize("values", [[], [3.0], [3.0, 3.0, 3.0]])
def test_equal_values_have_no_step(values: list[float]) -> None:
    """Nothing to tell a step from."""
    assert step_of(values) == 0.0
    assert within_steps(values) == tuple(values)


@given(st.lists(st.integers(-8, 8), min_size=40, max_size=200))
def test_each_value_stays_within_its_step(places: list[int]) -> None:
    """Rounded to the step again, they are the same values; their mean is the same."""
    values = [place * STEP for place in places]
    assume(step_of(values) == STEP)
    spread = within_steps(values)
    assert sorted(round(v / STEP) * STEP for v in spread) == sorted(values)
    assert float(np.mean(spread)) == pytest.approx(float(np.mean(values)), abs=1e-9)


def test_a_normal_lot_in_steps_is_called_normal() -> None:
    """Of 100 normal lots of 200, at most 3 are refused at a level of 1 %; before, all were."""
    random = np.random.default_rng(7)
    found = [normal_p(_in_steps(random.normal(21, 0.11, 200))) for _ in range(100)]
    assert sum(p is not None and p < 0.01 for p in found) <= 3


@pytest.mark.parametrize("shape", ["skewed", "two lots"])
def test_a_lot_that_is_not_normal_is_still_told(shape: str) -> None:
    """In steps too, each of 20 lots."""
    random = np.random.default_rng(7)
    for _ in range(20):
        values = {
            "skewed": 21 + random.exponential(0.11, 200),
            "two lots": random.choice([20.8, 21.2], 200) + random.normal(0, 0.08, 200),
        }[shape]
        found = capability(_in_steps(values), low=18, high=24)
        assert found.normal_p is not None
        assert found.normal_p < 0.01
        assert found.percentiles is not None
