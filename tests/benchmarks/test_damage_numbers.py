"""Runs behind a damaging port: mode by outcome, as a table.

Run with ``pytest -m benchmark tests/benchmarks/test_damage_numbers.py -s``; the
environment variable DAMAGE_RUNS takes another number of short runs than 2,000.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.plans.loading.files import load_fixture, load_plan, parse_plan
from harness.plans.schema.files import Fixture
from harness.plans.schema.plan import Plan
from tests.damage.short_plan import DEVICES, STEPS
from tests.damage.trials import (
    MAY_FAIL,
    Trial,
    may_fail,
    pairs,
    run_sound,
    run_trial,
    table,
    untrue,
)

pytestmark = pytest.mark.benchmark

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ROOT = Path(__file__).parents[2]


def _tell(plan: Plan, fixture: Fixture, count: int, seed: int) -> None:
    sound, characters = run_sound(plan, fixture)
    assert sound.outcome == "passed", sound.failed
    trials: list[Trial] = [
        run_trial(plan, fixture, *pair, characters=characters)
        for pair in pairs(count, seed)
    ]
    print(f"\n{count} runs of {plan.title}\n{table(trials, sound)}")  # noqa: T201
    for key, reason in MAY_FAIL.items():
        runs = sum(t.outcome == "failed" and may_fail(t) == key for t in trials)
        print(f"  failed {runs} times: {key} ({reason})")  # noqa: T201
    wrong = [t for t in trials if t.outcome == "failed" and not may_fail(t)]
    wrong += [t for t in trials if t.outcome not in {"passed", "failed", "error"}]
    wrong += [t for t in trials if t.outcome == "passed" and untrue(t, sound)]
    assert wrong == []


def test_table_of_the_short_plan(write_fixture: Make, bench_data: Make) -> None:
    """Every mode at every moment."""
    plan = parse_plan("plan: short\nsteps:" + STEPS.replace("\n", "\n  "), "plan.yaml")
    count = int(os.environ.get("DAMAGE_RUNS", "2000"))
    _tell(plan, write_fixture(bench_data(DEVICES)), count, 1)


def test_table_of_the_incoming_inspection() -> None:
    """The plan as shipped."""
    plan = load_plan(ROOT / "test_plans/incoming_thermometers.yaml")
    fixture = load_fixture(ROOT / "fixtures/demo_bench.yaml")
    _tell(plan, fixture, 50, 2)
