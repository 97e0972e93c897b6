"""Rates that were measured tell the clock grid, and how far the clock is off."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.wire.clock_grid import GRIDS
from harness.wire.grid_fit import MeasuredRate, fits

REQUESTS = (
    9600, 10_400, 14_000, 31_250, 57_600, 74_880, 111_000, 115_200, 142_857, 200_000,
    325_000, 921_600,
)  # fmt: skip
KINDS = [kind for kind in GRIDS if kind != "unknown"]


def measured(
    kind: str, clock_ppm: float, doubt: float, seed: int
) -> list[MeasuredRate]:
    """What an adapter of a kind makes, measured with normal errors."""
    noise = random.Random(seed)
    return [
        MeasuredRate(
            request_baud=request,
            baud=GRIDS[kind].achieved(request)
            * (1 + clock_ppm * 1e-6)
            * (1 + max(-2.5, min(2.5, noise.gauss(0, 1))) * doubt),
            doubt=doubt,
        )
        for request in REQUESTS
    ]


@given(
    kind=st.sampled_from(KINDS),
    clock_ppm=st.floats(-9000, 9000),
    doubt=st.sampled_from([1e-5, 1e-4, 1e-3]),
    seed=st.integers(0, 1000),
)
def test_the_true_grid_agrees(
    kind: str, clock_ppm: float, doubt: float, seed: int
) -> None:
    """The grid that made the rates is among those that agree, with its clock within doubt."""
    found = {f.grid.kind: f for f in fits(measured(kind, clock_ppm, doubt, seed))}
    assert kind in found
    assert abs(found[kind].clock_ppm - clock_ppm) < 4 * found[kind].doubt_ppm


@pytest.mark.parametrize("kind", KINDS)
def test_fine_measurements_tell_grids_apart(kind: str) -> None:
    """With 10 ppm of doubt only grids that make the same rates agree."""
    found = fits(measured(kind, 300, 1e-5, 1))
    same = {
        other
        for other in KINDS
        if all(
            abs(GRIDS[other].achieved(r) / GRIDS[kind].achieved(r) - 1) < 1e-4
            for r in REQUESTS
        )
    }
    assert {fit.grid.kind for fit in found} <= same


def test_no_grid_agrees() -> None:
    """Rates that no grid makes, a clock beyond use and nothing measured fit none."""
    odd = [MeasuredRate(request_baud=r, baud=r * (1 + 0.01 * (n % 3)), doubt=1e-4) for n, r in enumerate(REQUESTS)]  # fmt: skip
    assert fits(odd) == ()
    assert fits(measured("exact", 40_000, 1e-4, 1)) == ()
    assert fits([]) == ()


def exactly(*errors: float, doubts: tuple[float, ...] = ()) -> list[MeasuredRate]:
    """Rates of a port that makes any, so far off each."""
    known = doubts or (1e-3,) * len(errors)
    return [
        MeasuredRate(request_baud=request, baud=request * (1 + error), doubt=doubt)
        for request, error, doubt in zip(REQUESTS, errors, known, strict=False)
    ]


def test_weights_are_those_of_the_inverse_squares() -> None:
    """Mean, its doubt and the misfit, by the library's weighted mean."""
    errors, doubts = (0.001, 0.002, 0.0025), (1e-3, 2e-3, 5e-4)
    (found,) = [
        fit for fit in fits(exactly(*errors, doubts=doubts)) if fit.grid.kind == "exact"
    ]
    weights = [1 / doubt**2 for doubt in doubts]
    mean = float(np.average(errors, weights=weights))
    assert found.clock_ppm == pytest.approx(1e6 * mean)
    assert found.doubt_ppm == pytest.approx(1e6 / math.sqrt(sum(weights)))
    apart = (np.array(errors) - mean) / np.array(doubts)
    assert found.misfit == pytest.approx(math.sqrt(float(np.mean(apart**2))))


@pytest.mark.parametrize(
    ("errors", "agrees"),
    [
        # three doubts about the mean: one of twelve that is off pulls it by a twelfth
        ((0.0,) * 11 + (0.0032,), True),
        ((0.0,) * 11 + (0.0034,), False),
        ((0.0,) * 11 + (-0.0034,), False),
        # two per cent of the clock
        ((0.0199,) * 3, True),
        ((0.0201,) * 3, False),
        ((-0.0201,) * 3, False),
    ],
)
def test_where_agreement_ends(errors: tuple[float, ...], agrees: bool) -> None:
    """At three doubts and at two per cent of the clock."""
    found = {fit.grid.kind for fit in fits(exactly(*errors))}
    assert ("exact" in found) is agrees


def test_the_best_fit_comes_first() -> None:
    """In order of the misfit."""
    found = fits(measured("fractional-divider", 200, 2e-3, 3))
    assert [fit.misfit for fit in found] == sorted(fit.misfit for fit in found)
    assert "unknown" not in {fit.grid.kind for fit in found}
