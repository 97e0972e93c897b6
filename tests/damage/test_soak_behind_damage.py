"""A lossy adapter under a soak is trouble of the adapter, not lost readings of devices."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.plans.loading.files import parse_plan
from tests.damage.short_plan import DEVICES
from tests.damage.trials import run_sound, run_trial

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

SOAK = """plan: short soak
steps:
  - enumerate: {count: 2}
  - soak: {cycles: 10, every_s: 5, retries: 1}
"""

CASES = [
    ("drop character", "often", 1),
    ("garble chunk", "often", 2),
    ("7 bits", "middle", 3),
    ("half", "middle", 4),
    ("constant 90h", "often", 5),
    ("duplicate chunk", "often", 6),
    ("delay 300 ms", "often", 7),
    ("random", "middle", 8),
    ("replay instead", "middle", 9),
    ("inverted", "middle", 10),
    ("deaf", "behind write-0", 11),
    ("FFh escaped", "middle", 12),
]


@pytest.mark.slow
@pytest.mark.parametrize(("mode", "moment", "seed"), CASES)
def test_damage_is_no_lost_reading(
    write_fixture: Make, bench_data: Make, mode: str, moment: str, seed: int
) -> None:
    """Nothing is booked on line or device; what the adapter spoilt is an error."""
    plan, fixture = parse_plan(SOAK, "plan.yaml"), write_fixture(bench_data(DEVICES))
    sound, characters = run_sound(plan, fixture)
    assert sound.outcome == "passed"
    trial = run_trial(plan, fixture, mode, moment, seed, characters=characters)
    assert trial.outcome in {"passed", "error"}, trial.failed
