"""Runs behind a damaging port: mode by outcome, as a table.

Run with ``pytest -m benchmark tests/benchmarks/test_damage_numbers.py -s``. Variables of
the environment: DAMAGE_RUNS, another number of short runs than 2,000; DAMAGE_PLANS, of
incoming inspections than 50; DAMAGE_SEED, another draw; DAMAGE_WORKERS, processes.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from harness.plans.loading.files import load_fixture, load_plan, parse_plan
from harness.plans.schema.files import Fixture
from harness.plans.schema.plan import Plan
from tests.damage.short_plan import DEVICES, STEPS
from tests.damage.trials import (
    Trial,
    excuses,
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


def _number(name: str, default: int) -> int:
    return int(os.environ.get(name, default))


def _trial(
    pair: tuple[str, str, int], *, plan: Plan, fixture: Fixture, characters: int
) -> Trial:
    return run_trial(plan, fixture, *pair, characters=characters)


def _tell(plan: Plan, fixture: Fixture, count: int, seed: int) -> None:
    sound, characters = run_sound(plan, fixture)
    assert sound.outcome == "passed", sound.failed
    run = partial(_trial, plan=plan, fixture=fixture, characters=characters)
    with ProcessPoolExecutor(_number("DAMAGE_WORKERS", 1)) as workers:
        trials = list(workers.map(run, pairs(count, seed), chunksize=5))
    print(f"\n{count} runs of {plan.title}, seed {seed}\n{table(trials, sound)}")  # noqa: T201
    print(excuses(trials))  # noqa: T201
    wrong = [t for t in trials if t.outcome == "failed" and not may_fail(t)]
    wrong += [t for t in trials if t.outcome not in {"passed", "failed", "error"}]
    wrong += [t for t in trials if t.outcome == "passed" and untrue(t, sound)]
    for trial in wrong:
        print(trial.mode, trial.moment, trial.seed, trial.failed, untrue(trial, sound))  # noqa: T201
    assert wrong == []


def test_table_of_the_short_plan(write_fixture: Make, bench_data: Make) -> None:
    """Every mode at every moment."""
    plan = parse_plan("plan: short\nsteps:" + STEPS.replace("\n", "\n  "), "plan.yaml")
    fixture = write_fixture(bench_data(DEVICES))
    _tell(plan, fixture, _number("DAMAGE_RUNS", 2000), _number("DAMAGE_SEED", 1))


def test_table_of_the_incoming_inspection() -> None:
    """The plan as shipped."""
    plan = load_plan(ROOT / "test_plans/incoming_thermometers.yaml")
    fixture = load_fixture(ROOT / "fixtures/demo_bench.yaml")
    _tell(plan, fixture, _number("DAMAGE_PLANS", 50), _number("DAMAGE_SEED", 1) + 1)
