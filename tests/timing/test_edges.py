"""Bracketing: few probes, the true edge inside the stated interval, blur reported."""

from __future__ import annotations

import math
from math import isinf
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.timing.edges import Bracket, MeasuredEdge, NotMeasurable, Reach, Rung
from tests.timing.found import edge_of


def ladder(count: int, step_us: float, width_us: float) -> list[Rung]:
    """Evenly spaced rungs from 10 us on."""
    return [
        Rung(early_us=10 + n * step_us, late_us=10 + n * step_us + width_us)
        for n in range(count)
    ]


@settings(deadline=None, derandomize=True)
@given(
    edge_us=st.floats(10.5, 58.0),
    place=st.floats(0, 1),
    count=st.integers(20, 400),
)
def test_true_edge_lies_inside(edge_us: float, place: float, count: int) -> None:
    """Wherever in its interval a sample comes, the edge is inside what is stated."""
    step_us = 50 / (count - 1)
    rungs = ladder(count, step_us, width_us=0.4)

    def probe(rung: Rung) -> tuple[int, int]:
        sampled_us = rung.early_us + place * (rung.late_us - rung.early_us)
        return (4 if sampled_us > edge_us else 0), 4

    found = edge_of(Bracket(rungs, probe).find())
    assert found.reach is Reach.INSIDE
    assert abs(found.value_us - edge_us) <= found.half_width_us + 1e-9
    assert found.half_width_us <= (step_us + 0.4) / 2 + 1e-9
    # logarithmic: both ends and the bisection between them
    assert found.probes <= 2 + math.ceil(math.log2(count))
    assert found.blur_us == 0


def test_blur_that_reaches_the_first_rung() -> None:
    """Trials disagree from the first rung on: the blur is from there to where they agree."""
    shares = (3, 3, 4, 6, 8, 9, 10, 10)
    rungs = ladder(len(shares), 1.0, 0.2)
    found = edge_of(Bracket(rungs, lambda rung: (shares[rungs.index(rung)], 10)).find())
    assert found.value_us == pytest.approx((rungs[2].early_us + rungs[3].late_us) / 2)
    assert found.blur_us == pytest.approx(rungs[6].middle_us - rungs[0].middle_us)


@pytest.mark.parametrize(
    ("edge_us", "reach"), [(5.0, Reach.BELOW), (99.0, Reach.ABOVE)]
)
def test_edge_outside_the_ladder_is_bounded(edge_us: float, reach: Reach) -> None:
    """An edge that the ladder does not reach is told as a bound, never as a value."""
    rungs = ladder(50, 1.0, 0.2)
    found = edge_of(
        Bracket(rungs, lambda rung: (int(rung.middle_us > edge_us), 1)).find()
    )
    assert found.reach is reach
    end = rungs[0].late_us if reach is Reach.BELOW else rungs[-1].early_us
    assert found.value_us == end


def test_jitter_shows_as_blur() -> None:
    """Gaussian jitter of 1 us gives its 50 % point and a blur of a few us."""
    random = Random(3)
    rungs = ladder(200, 0.25, 0.0)

    def probe(rung: Rung) -> tuple[int, int]:
        seen = sum(rung.middle_us > random.gauss(30, 1.0) for _ in range(200))
        return seen, 200

    found = edge_of(Bracket(rungs, probe).find())
    assert found.value_us == pytest.approx(30, abs=0.5)
    # 5 % to 95 % of a Gaussian is 3.29 standard deviations
    assert found.blur_us == pytest.approx(3.3, abs=0.8)


@pytest.mark.parametrize(
    ("seen", "reach"), [(1, Reach.BELOW), (0, Reach.ABOVE)], ids=["done", "to come"]
)
def test_one_rung_bounds_the_edge(seen: int, reach: Reach) -> None:
    """There is nothing to lie between, and still it tells on which side."""
    found = Bracket(ladder(1, 1, 0.25), lambda _: (seen, 1)).find()
    assert isinstance(found, MeasuredEdge)
    assert found.reach is reach
    low_us, high_us = found.interval_us
    assert (low_us == 0, isinf(high_us)) == (bool(seen), not seen)


def test_no_rung_is_an_outcome_with_its_reason() -> None:
    """The adapter makes none of the points: nobody is asked, nothing is raised."""

    def probe(_: Rung) -> tuple[int, int]:
        raise AssertionError("no probe without a rung")

    found = Bracket((), probe, lacking="no rate near it").find()
    assert found == NotMeasurable(reason="no rate near it")
    assert found.text == "not measurable with this adapter: no rate near it"
