"""Heat, cold, over-voltage and cells: named in the plan and allowed, or not run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.execution.hazard_gate import hazards_in, require_allowed
from harness.plans.loading.files import parse_plan
from harness.plans.loading.problems import PlanError


def _plan(step: str) -> Any:  # noqa: ANN401 - a plan
    return parse_plan(f"plan: p\nsteps:\n  - {step}\n", "plan.yaml")


@pytest.mark.parametrize(
    ("step", "family", "hazards"),
    [
        ("adjust: {instrument: CH, to: {temperature_degc: 25}}", 0x28, set()),
        ("adjust: {instrument: CH, to: {temperature_degc: 60}}", 0x28, set()),
        ("adjust: {instrument: CH, to: {temperature_degc: 61}}", 0x28, {"hot-or-cold"}),
        ("adjust: {instrument: CH, to: {temperature_degc: -1}}", 0x28, {"hot-or-cold"}),
        (
            "adjust: {instrument: CH, to: {temperature_degc: 50}}",
            0x26,
            {"cell-temperature"},
        ),
        ("adjust: {instrument: PSU, to: {voltage_v: 5.0}}", 0x28, set()),
        ("adjust: {instrument: PSU, to: {voltage_v: 5.2}}", 0x28, {"over-voltage"}),
        (
            "vary: {over: {CH: {temperature_degc: [25, 85]}}, steps: [{reset: }]}",
            0x28,
            {"hot-or-cold"},
        ),
    ],
)
def test_what_a_setting_can_do(
    write_fixture: Callable[..., Any],
    bench_data: Callable[..., Any],
    new_device: Callable[..., Any],
    *,
    step: str,
    family: int,
    hazards: set[str],
) -> None:
    """Each step once, whatever the number of its conditions."""
    fixture = write_fixture(bench_data([new_device(family, 5)]))
    uses = hazards_in(_plan(step), fixture)
    assert [set(map(str, use.hazards)) for use in uses] == (
        [hazards] if hazards else []
    )


def test_it_takes_plan_and_command_line(
    write_fixture: Callable[..., Any],
    bench_data: Callable[..., Any],
    new_device: Callable[..., Any],
) -> None:
    """Neither the name at the step nor --allow alone is enough."""
    fixture = write_fixture(bench_data([new_device(0x28, 5)]))
    bare = "adjust: {instrument: CH, to: {temperature_degc: 85}}"
    named = bare[:-1] + ", hazard: hot-or-cold}"
    with pytest.raises(PlanError, match="hot-or-cold"):
        require_allowed(_plan(bare), fixture, {Hazard.HOT_OR_COLD})
    with pytest.raises(PlanError, match="--allow hot-or-cold"):
        require_allowed(_plan(named), fixture, set())
    require_allowed(_plan(named), fixture, {Hazard.HOT_OR_COLD})
