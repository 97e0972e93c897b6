"""An adapter or host that damages echoes is an error, never a failed line or device.

The reduced table of the ordinary suite; the whole one is
``tests/benchmarks/test_damage_numbers.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.plans.loading.files import parse_plan
from harness.plans.schema.files import Fixture
from harness.plans.schema.plan import Plan
from tests.damage.short_plan import DEVICES, STEPS
from tests.damage.trials import may_fail, run_sound, run_trial, untrue

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

CASES = [
    ("deaf", "behind write-0", 11),  # the echo of a sent 00h proves no low line
    ("die", "behind last", 12),
    ("repeat after 5 ms", "behind reset", 13),
    ("duplicate chunk", "rarely", 14),
    ("FFh escaped", "behind reset", 1_000_131),
    ("FFh taken", "behind read-0", 1_000_116),
    ("stall", "behind reset", 1_000_297),
    ("replay instead", "middle", 1_000_101),
    ("transmit doubled", "rarely", 1_000_029),
    ("7 bits", "middle", 15),
    ("constant 50h", "often", 16),
    ("delay 300 ms", "once", 17),
    # rare damage that the proof behind a failure does not meet again
    ("replay instead", "rarely", 20_261_128_000_135),
    ("replay instead", "rarely", 20_270_101_001_955),
    ("inverted", "rarely", 20_270_101_000_373),
    # settings that a later step made up for are no restart of the device
    ("die", "middle", 20_270_106_000_160),
    ("repeat after 5 ms", "rarely", 20_270_106_000_335),
]


@pytest.fixture
def short(write_fixture: Make, bench_data: Make) -> tuple[Plan, Fixture]:
    """The short plan and its bench."""
    return parse_plan(f"plan: short\nsteps:{_indented(STEPS)}", "plan.yaml"), (
        write_fixture(bench_data(DEVICES))
    )


def _indented(text: str) -> str:
    return text.replace("\n", "\n  ")


@pytest.mark.slow
@pytest.mark.parametrize(("mode", "moment", "seed"), CASES)
def test_damage_is_never_booked_on_line_or_device(
    short: tuple[Plan, Fixture], mode: str, moment: str, seed: int
) -> None:
    """Nothing fails; what passes has the true values."""
    plan, fixture = short
    trial = run_trial(plan, fixture, mode, moment, seed, characters=20_000)
    assert trial.outcome in {"passed", "error"} or may_fail(trial), trial.failed
    if trial.outcome == "passed":
        sound, _ = run_sound(plan, fixture)
        assert untrue(trial, sound) == []


def test_without_damage_it_passes(short: tuple[Plan, Fixture]) -> None:
    """The twin of every case: the port alone changes nothing."""
    sound, characters = run_sound(*short)
    assert (sound.outcome, sound.failed) == ("passed", [])
    assert characters > 10_000
