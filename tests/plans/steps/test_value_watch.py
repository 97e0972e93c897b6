"""Which of a device's values moved, told with the readings: one, all, or nothing to tell."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from harness.plans.loading.files import parse_plan
from harness.plans.steps.comparing.value_watch import ValueWatch
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.simulation.devices.batteries.battery_monitor import Monitor

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

ROUNDS = 40
AT = 25
"""The round that moves, counted from 0."""

STEPS = {"voltage": 0.01, "temperature": 0.03125, "current": 0.001}
DEVICE = DeviceRef(rom_code="26.000000000001.00", family=0x26, socket="S1")
BESIDE = {"wait": {"for_s": 1}}

Values = Mapping[str, "np.ndarray[Any, Any]"]


def steady(seed: int, rounds: int = ROUNDS) -> dict[str, Any]:
    """A cell's values, noisy by two steps each."""
    chance = np.random.default_rng(seed)
    levels = {"voltage": 3.9, "temperature": 21.0, "current": -0.05}
    return {
        name: level + 2 * STEPS[name] * chance.standard_normal(rounds)
        for name, level in levels.items()
    }


def moved(values: Values, **by: float) -> dict[str, Any]:
    """The same with one round moved."""
    pulse = np.arange(ROUNDS) == AT
    return {name: each + pulse * by.get(name, 0.0) for name, each in values.items()}


def notes(
    values: Values,
    *,
    beside: Mapping[str, Any] = BESIDE,
    lost: str = "",
    one_by_one: bool = False,
) -> list[tuple[int, str, str]]:
    """Round, quantity and note of each reading that has one; ``lost`` fails when it moves."""
    rounds = len(next(iter(values.values())))
    inner = [{"read": {"quantity": name}} for name in values]
    repeat = {"times": rounds, "steps": [*inner, dict(beside)]}
    plan = parse_plan(str({"plan": "p", "steps": [{"repeat": repeat}]}), "p")
    clock = SimpleNamespace(at_s=0.0)
    clock.now_s = lambda: clock.at_s
    context: Any = SimpleNamespace(plan=plan, current=None, clock=clock)
    watch = ValueWatch(context)
    found = []
    reads = list(zip(plan.steps[0].steps, values, strict=False))
    order = [(number, *read) for number in range(rounds) for read in reads]
    if one_by_one:
        order.sort(key=lambda each: list(values).index(each[2]))
    for number, item, name in order:
        clock.at_s += 1.0
        step = STEPS[name]
        value = round(round(values[name][number] / step) * step, 9)
        result = CheckResult(
            outcome=Outcome.PASSED,
            device=DEVICE,
            measurements=(Measurement(name=name, value=value, unit="V"),),
        )
        if number == AT and name == lost:
            result = dataclasses.replace(
                result, outcome=Outcome.FAILED, measurements=()
            )
        for noted in watch.around(item, iter([result])):
            found += [(number, name, note) for note in noted.notes]
    return found


@pytest.mark.parametrize("name", list(STEPS))
def test_the_value_that_moved_is_named(name: str) -> None:
    """It and its readings, those that stayed, in the round behind; once."""
    ((number, _, note),) = notes(moved(steady(1), **{name: -80 * STEPS[name]}))
    assert number == AT + 1
    assert note.startswith(f"{name} read ")
    assert f" in round {AT + 1}, between " in note
    stayed = ", ".join(other for other in STEPS if other != name)
    assert f"while {stayed} of the same round moved no more than before" in note


def test_all_that_move_together_are_no_single_value() -> None:
    """What they share is named, and none of them as the one."""
    by = {name: -80 * step for name, step in STEPS.items()}
    ((_, _, note),) = notes(moved(steady(1), **by))
    assert "all values read of this device moved together" in note
    assert "no more than before" not in note


def test_a_healthy_device_has_no_note() -> None:
    """12,000 readings of noise alone: at one note in 1,000 series none is expected."""
    assert [note for seed in range(100) for note in notes(steady(seed))] == []


def test_a_slow_common_change_is_no_move() -> None:
    """A night, up and down again, in all of them."""
    night = 300 * np.sin(np.arange(ROUNDS) / ROUNDS * np.pi)
    assert not notes({n: v + night * STEPS[n] for n, v in steady(2).items()})


def test_a_load_that_stays_is_no_move() -> None:
    """The voltage sags as the load comes on, and stays there."""
    values = steady(3)
    values["voltage"] -= 0.8 * (np.arange(ROUNDS) >= AT)
    assert notes(values) == []


def test_one_that_was_not_read_in_the_round_is_not_said_to_have_stayed() -> None:
    """Its reading failed: nothing is said of the round."""
    values = moved(steady(1), voltage=-0.8)
    assert notes(values, lost="temperature") == []


def test_a_value_between_moving_and_staying_leaves_it_open() -> None:
    """The current moved more than ever, but not beyond doubt."""
    values = moved(steady(1), voltage=-0.8, current=10 * STEPS["current"])
    assert notes(values) == []


def test_a_plan_that_moves_values_itself_is_not_watched() -> None:
    """A prompt in the round may ask for anything."""
    prompt = {"prompt": {"text": "press the button"}}
    assert notes(moved(steady(1), voltage=-0.8), beside=prompt) == []


def test_readings_one_quantity_after_the_other_share_no_round() -> None:
    """A day of voltages, then one of temperatures: what moved and stayed was not beside it."""
    by = {name: -80 * step for name, step in STEPS.items()}
    for values in (moved(steady(1), voltage=-0.8), moved(steady(1), **by)):
        assert notes(values, one_by_one=True) == []


@pytest.mark.parametrize("dips", [True, False])
def test_a_run_tells_it(
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
    monkeypatch: pytest.MonkeyPatch,
    dips: bool,
) -> None:
    """A monitor whose voltage dips once, and its twin; each reading passes."""
    volts = np.round(steady(4, 20)["voltage"], 2)
    volts[15] -= 1.5 * dips
    script = iter(volts)
    take = Monitor._take_voltage

    def scripted(monitor: Monitor) -> None:
        monitor.supply_v = float(next(script))
        take(monitor)

    monkeypatch.setattr(Monitor, "_take_voltage", scripted)
    reads = [{"read": {"quantity": name}} for name in ("voltage", "temperature")]
    ran = run_plan(
        [{"enumerate": {}}, {"repeat": {"times": 20, "steps": reads}}],
        bench_data([new_device(0x26, 1)]),
    )
    assert ran.code == 0
    told = [note for _, r in ran.record.results for note in r.notes]
    assert [note.partition(":")[0] for note in told] == [
        "voltage read 2.45 V in round 16, between 3.87 V and 3.86 V"
    ] * dips
