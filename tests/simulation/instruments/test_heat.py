"""A chamber's temperature after a step, against the closed form of its overshoot."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.simulation.instruments.heat import Heat


@pytest.mark.parametrize("overshoot", [0.02, 0.05, 0.3])
def test_first_overshoot_of_a_step(overshoot: float) -> None:
    """A step of 60 K overshoots by its share, at half a turn (second-order systems)."""
    heat = Heat(start=20.0, time_constant_s=90.0, overshoot=overshoot)
    heat.aim(80.0, 0.0)
    peak = max(heat.at(t / 10) for t in range(20_000))
    assert peak - 80.0 == pytest.approx(60.0 * overshoot, rel=1e-3)


def test_without_overshoot_it_decays_by_its_time_constant() -> None:
    """After one time constant 1/e of a step is left."""
    heat = Heat(start=20.0, time_constant_s=90.0, overshoot=0.0)
    heat.aim(-40.0, 10.0)
    assert heat.at(100.0) == pytest.approx(-40.0 + 60.0 / math.e)


@given(
    st.floats(0.0, 0.8),
    st.floats(1, 1000),
    st.lists(st.tuples(st.floats(0.1, 500), st.floats(-60, 150)), max_size=6),
)
def test_it_never_jumps(
    overshoot: float, tau_s: float, aims: list[tuple[float, float]]
) -> None:
    """A new set-point changes where the temperature goes, not where it is."""
    heat = Heat(start=23.0, time_constant_s=tau_s, overshoot=overshoot)
    now_s = 0.0
    for after_s, target in aims:
        now_s += after_s
        before = heat.at(now_s)
        heat.aim(target, now_s)
        assert heat.at(now_s) == pytest.approx(before, abs=1e-6)
    assert heat.at(now_s + 60 * tau_s) == pytest.approx(heat.target, abs=1e-3)
