"""Settings that a step depends on: made up for and noted, or the missing step named."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.families.family import ALARM_SEARCH
from harness.families.hazard import Hazard
from harness.families.registry import checks, family_of, known_families, quantities
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import parse_plan
from harness.records import CheckResult, Outcome
from harness.results.journal.writer import Journal
from tests.conftest import Operator

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

NINE = {"configure": {"settings": {"resolution_bits": 9}}}
RESOLUTION = {"read": {"quantity": "resolution", "low": 9, "high": 9}}


@pytest.fixture
def run_chosen(write_fixture: Make, tmp_path: Path) -> Make:
    """Run the steps of a plan that are named by number; the results of the last."""

    def run(
        steps: list[Any], data: dict[str, Any], chosen: str, *allowed: Hazard
    ) -> list[CheckResult]:
        plan = parse_plan(yaml.safe_dump({"plan": "t", "steps": steps}), "plan.yaml")
        fixture = write_fixture(data)
        results: list[CheckResult] = []
        with connect(fixture) as bus, Journal.create(tmp_path / "r", bus.clock) as to:
            runner = Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=to,
                operator=Operator(),
                allowed=frozenset(allowed),
            )
            runner.begin()
            assert runner.prepare()
            for number in chosen.split():
                results = runner.run_leaf(plan.steps[int(number) - 1])
            runner.end()
        return results

    return run


def test_a_setting_left_out_is_made(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """Without its configure step a value that it governs is judged under it all the same."""
    data = bench_data([new_device(0x28, 5), new_device(0x01, 6)])
    (result,) = run_chosen([NINE, RESOLUTION], data, "2")
    assert result.outcome is Outcome.PASSED
    assert result.notes == (
        "step 1 (configure resolution_bits) was not run: resolution_bits 9 was set for "
        "this step",
    )


def test_a_setting_that_was_made_is_not_made_again(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """Whole runs note nothing."""
    (result,) = run_chosen([NINE, RESOLUTION], bench_data([new_device(0x28, 5)]), "1 2")
    assert (result.outcome, result.notes) == (Outcome.PASSED, ())


def test_a_setting_of_another_kind_governs_nothing(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """What a for_each means for other devices, or what is not governed, is let alone."""
    inner = {"for_each": {"family": 0x22, "steps": [deepcopy(NINE)]}}
    alarm = {"read": {"quantity": "alarm_high", "low": 75, "high": 75}}
    data = bench_data([new_device(0x28, 5)])
    (result,) = run_chosen([inner, NINE, alarm], data, "3")
    assert (result.outcome, result.notes) == (Outcome.PASSED, ())


def test_a_store_before_a_loss_of_supply_is_not_made_up_for(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """Whether a setting was stored cannot be told later: an error that names the step."""
    stored = {"configure": {"settings": {"resolution_bits": 9}, "store": True}}
    cycle = [{"switch": {"supply": state}} for state in ("off", "on")]
    data = bench_data([new_device(0x28, 5)])
    data["power"] = {"supply_on": "rts"}
    (result,) = run_chosen([stored, *cycle, RESOLUTION], data, "2 3 4")
    assert (result.outcome, result.kind) == (Outcome.ERROR, "step-missing")
    assert "resolution depends on resolution_bits: step 1 (configure resol" in result.message  # fmt: skip
    assert "stored before the supply is switched" in result.message


def test_a_hazard_is_not_made_up_for(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """An output is not switched unasked, though the hazard is allowed: the step is named."""
    hazard = Hazard.OUTPUT_SWITCHING
    on = {
        "configure": {"settings": {"channel_a_output": "on"}, "hazard": [str(hazard)]}
    }
    level = {"read": {"quantity": "channel_a_level"}}
    data = bench_data([new_device(0x42, 5)])
    (result,) = run_chosen([on, level], data, "2", hazard)
    assert (result.outcome, result.kind) == (Outcome.ERROR, "step-missing")
    assert (
        "channel_a_output: step 1 (configure channel_a_output) was not run"
        in result.message
    )
    assert "output-switching" in result.message


def test_settings_are_made_again_after_the_adapter_was_away(
    run_plan: Make, three: Make
) -> None:
    """The devices may have lost their supply: no device is blamed for its own default."""
    steps = [NINE, {"reset": {"times": 400}}, {"reset": {}}, RESOLUTION]
    start_s = run_plan(steps, three()).started_s("2")
    away = {"kind": "adapter-unplugged", "at_s": start_s + 0.1, "for_s": 0.05}
    ran = run_plan(steps, three(faults=[away]))
    result = ran.shown("4", "S1")
    assert result.outcome is Outcome.PASSED
    assert "did not outlive this run so far" in result.notes[0]


def test_governed_names_exist() -> None:
    """Every name in a row of a setting is a quantity, a check, or the alarm search."""
    names: dict[str, set[str]] = {}
    governed: dict[str, set[str]] = {}
    for code in known_families():
        for name, row in family_of(code).settings.items():
            known = {*quantities(code), *checks(code), ALARM_SEARCH}
            names.setdefault(name, set()).update(known)
            governed.setdefault(name, set()).update(row.governs)
    unknown = {name: found - names[name] for name, found in governed.items()}
    assert not {name: found for name, found in unknown.items() if found}


def test_what_a_check_leaves_is_not_judged_without_it(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """Old content is not taken for what a write left: the missing step is named."""
    write = {"check": {"function": "memory_write", "with": {"data": "01 02"}}}
    verify = {"check": {"function": "memory_verify", "with": {"data": "01 02"}}}
    data = bench_data([new_device(0x08, 5)])
    (result,) = run_chosen([write, verify], data, "2")
    assert (result.outcome, result.kind) == (Outcome.ERROR, "step-missing")
    assert "shows what step 1 (check memory_write) leaves" in result.message


def test_what_a_check_left_is_judged_after_it(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """The same plan whole."""
    write = {"check": {"function": "memory_write", "with": {"data": "01 02"}}}
    verify = {"check": {"function": "memory_verify", "with": {"data": "01 02"}}}
    data = bench_data([new_device(0x08, 5)])
    (result,) = run_chosen([write, verify], data, "1 2")
    assert result.outcome is Outcome.PASSED


def test_left_names_exist() -> None:
    """Every name in a row of a check is a quantity or a check of some such family."""
    names: dict[str, set[str]] = {}
    left: dict[str, set[str]] = {}
    for code in known_families():
        for name, row in checks(code).items():
            names.setdefault(name, set()).update([*quantities(code), *checks(code)])
            left.setdefault(name, set()).update(row.leaves)
    assert not {n: found - names[n] for n, found in left.items() if found - names[n]}


def test_a_switch_left_out_is_done(
    run_chosen: Make, bench_data: Make, new_device: Make
) -> None:
    """What the plan switches before a step is switched for it, in its order, and noted."""
    cycle = [{"switch": {"supply": state}} for state in ("off", "on")]
    read = {"read": {"quantity": "temperature", "low": 10, "high": 30}}
    data = bench_data([new_device(0x28, 5, temperature_degc=20.0)])
    data["power"] = {"supply_on": "rts"}
    (result,) = run_chosen([*cycle, read], data, "3")
    assert result.outcome is Outcome.PASSED
    assert [note.partition(":")[0] for note in result.notes] == [
        "step 1 (switch) was not run",
        "step 2 (switch) was not run",
    ]
