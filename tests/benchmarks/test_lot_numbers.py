"""Tables of the lot commands: coverage of intervals, false alarms, time and memory."""

from __future__ import annotations

import numpy as np
import pytest

from harness.quality.gauge import GaugeReading, gauge_study

pytestmark = pytest.mark.benchmark

STUDIES = 300
"""Simulated studies a row; a share of 95 % is then known within 2.5 % (two sigma)."""

GAUGES = [
    (size, spread)
    for size in ((10, 2, 3), (10, 3, 3), (5, 2, 2))
    for spread in ((1.0, 0.0, 0.0), (1.0, 0.0, 1.0), (1.0, 0.5, 0.5), (1.0, 1.0, 2.0))
]


def _cube(
    chance: np.random.Generator, size: tuple[int, int, int], spread: tuple[float, ...]
) -> np.ndarray:
    """A study of normal parts (deviation 5), fixed stations, interaction and repeats."""
    parts, stations, _ = size
    repeat, mixed, apart = spread
    effects = np.linspace(-1, 1, stations)
    effects *= apart / effects.std(ddof=1)
    cells = (
        5 * chance.normal(size=(parts, 1, 1))
        + effects[None, :, None]
        + mixed * chance.normal(size=(parts, stations, 1))
    )
    return cells + repeat * chance.normal(size=size)


def test_gauge_intervals_cover() -> None:
    """How often the true deviation, share and number of categories lie inside; nominal 95 %."""
    print("\nparts x stations x repeats, repeat/interaction/stations: gauge >= low, gauge <= high, "  # noqa: T201
          "share >= low, share <= high, ndc >= low")  # fmt: skip
    for size, spread in GAUGES:
        chance = np.random.default_rng(17)
        gauge = float(np.hypot(np.hypot(*spread[:2]), spread[2]))
        share = gauge / float(np.hypot(gauge, 5))
        held = np.zeros(5)
        for _ in range(STUDIES):
            cube = _cube(chance, size, spread)
            found = gauge_study([
                GaugeReading(part=str(p), station=str(s), value=float(cube[p, s, r]))
                for p, s, r in np.ndindex(cube.shape)
            ]).interval  # fmt: skip
            held += (
                found.low <= gauge,
                gauge <= found.high,
                found.of_total_low <= share,
                share <= found.of_total_high,
                found.classes_low <= 1.41 * 5 / gauge,
            )
        shares = held / STUDIES
        print(f"{size} {spread}: " + "  ".join(f"{100 * h:5.1f}" for h in shares))  # noqa: T201
        # 95 % less four standard errors
        assert shares.min() >= 0.95 - 4 * (0.95 * 0.05 / STUDIES) ** 0.5
