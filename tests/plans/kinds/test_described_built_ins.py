"""Built-in kinds written as files: on the same bench they say the same."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.families.registry import built_in
from harness.families.transactions import commands_in
from harness.plans.loading.kinds import load_kind
from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

FOLDER = Path(__file__).parent / "described"
FILES = {
    0x3A: FOLDER / "dual_switch.kind.yaml",
    0x14: FOLDER / "lockable_eeprom.kind.yaml",
    0x26: FOLDER / "battery_monitor.kind.yaml",
}
ALL = frozenset(Hazard)


def test_3ah_is_described_whole() -> None:
    """Every quantity, setting and check, with hazards, options, looks and restarts."""
    own, built = load_kind(FILES[0x3A]).families[0], built_in().family_of(0x3A)
    assert own.quantities.keys() == built.quantities.keys()
    assert own.settings == built.settings
    assert own.checks.keys() == built.checks.keys()
    for name, check in built.checks.items():
        assert own.checks[name].hazards == check.hazards
        assert own.checks[name].options == check.options
    assert own.looks == built.looks
    assert [s.shown_by for s in own.restarts] == [s.shown_by for s in built.restarts]


@pytest.mark.parametrize("code", FILES)
def test_what_is_described_is_a_part_of_the_built_in_kind(code: int) -> None:
    """Names, units and hazards are those of the module."""
    own, built = load_kind(FILES[code]).families[0], built_in().family_of(code)
    for name, row in own.quantities.items():
        if name != "first_bytes":
            assert row.unit == built.quantities[name].unit
    for name, setting in own.settings.items():
        assert setting.hazards == built.settings[name].hazards
    assert own.checks.keys() <= built.checks.keys()


BENCHES: dict[int, dict[str, Any]] = {
    0x3A: {},
    0x14: {},
    0x26: {"temperature_degc": -7.25, "input_v": 3.1, "current_a": 0.4},
}


@pytest.mark.parametrize("code", FILES)
def test_the_same_bench_gives_the_same_results(
    run_plan: Make, bench_data: Make, new_device: Make, code: int
) -> None:
    """Each quantity and each check, before and after settings: values and verdicts."""
    own = load_kind(FILES[code]).families[0]
    shared = [n for n in own.quantities if n != "first_bytes"]
    settings = {
        0x3A: {"channel_a_output": "on"},
        0x14: {},
        0x26: {
            "sense_mohm": 25,
            "voltage_input": "input",
            "current_converter": "on",
            "threshold_counts": 2,
        },
    }[code]
    checks: dict[int, list[dict[str, Any]]] = {
        0x3A: [{"function": "output_walk"}],
        0x14: [{"function": "memory_write", "with": {"start": 3, "data": "01 02 03"}},
               {"function": "memory_verify", "with": {"start": 3, "data": "01 02 04"}},
               {"function": "memory_pattern", "with": {"start": 0, "length": 5, "pattern": "address"}}],
        0x26: [{"function": "memory_write", "with": {"start": 6, "data": "01 02 03"}},
               {"function": "memory_verify", "with": {"start": 6, "data": "01 02 03"}}],
    }  # fmt: skip
    hazards = [str(hazard) for hazard in ALL]

    def reads() -> list[dict[str, Any]]:
        return [{"read": {"quantity": name}} for name in shared]

    steps = [{"for_each": {"family": code, "steps": [
        *reads(),
        *([{"configure": {"settings": settings, "hazard": [*hazards]}}] if settings else []),
        *reads(),
        *({"check": {**check, "hazard": [*hazards]}} for check in checks[code]),
    ]}}]  # fmt: skip
    data = bench_data([new_device(code, 5, **BENCHES[code])])
    built = run_plan(steps, data, allow=ALL)
    described = run_plan(steps, {**data, "kinds": [str(FILES[code])]}, allow=ALL)
    assert built.code == described.code
    for one, other in zip(built.record.results, described.record.results, strict=True):
        assert _said(one) == _said(other), one


@pytest.mark.parametrize("locked", [False, True])
def test_a_lock_that_must_be_open_is_a_reading_with_its_value(
    run_plan: Make, bench_data: Make, new_device: Make, locked: bool
) -> None:
    """Whether the 14h register is locked is judged without a check of its own.

    What locks it, once in a lifetime, is left to the built-in kind.
    """
    data = bench_data([new_device(0x14, 5, locked=locked)])
    step = [{"read": {"quantity": "register_locked", "wanted": False}}]
    built = run_plan(step, data)
    described = run_plan(step, {**data, "kinds": [str(FILES[0x14])]})
    assert built.code == described.code == int(locked)
    assert _said(built.record.results[0]) == _said(described.record.results[0])


def test_a_trim_in_its_range_is_a_reading_with_limits(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The 26h offset register; what trims it is left to the built-in kind."""
    data = bench_data([new_device(0x26, 5)])
    for low, code in ((-2, 0), (1, 1)):
        trim = {"quantity": "offset_trim", "low": low, "high": 2, "unit": "counts"}
        built = run_plan([{"read": trim}], data)
        described = run_plan([{"read": trim}], {**data, "kinds": [str(FILES[0x26])]})
        assert built.code == described.code == code


def _said(pair: Any) -> Any:  # noqa: ANN401 - step and result
    result = pair[1].shown
    values = [
        (m.name, _rounded(m.value), m.unit, m.wanted) for m in result.measurements
    ]
    return result.outcome, result.kind, values


def _rounded(value: Any) -> Any:  # noqa: ANN401 - a scalar
    """Both ways multiply by the same scale, in another order."""
    return float(f"{value:.12g}") if isinstance(value, float) else value


def test_the_journal_holds_the_description_whole(
    run_plan: Make, bench_data: Make, new_device: Make, tmp_path: Path
) -> None:
    """What the file says is in the first event, and its name among the facts."""
    file = shutil.copy(FILES[0x3A], tmp_path / "switch.kind.yaml")
    data = {**bench_data([new_device(0x3A, 5)]), "kinds": [str(file)]}
    ran = run_plan("- read: {quantity: ports}", data)
    start = ran.events[0]
    (kind,) = start["kinds"]
    assert kind["description"]["ports"]["channels"] == ["a", "b"]
    assert "dual switch" in ran.record.fixture.details["kinds"][0]
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


@pytest.mark.parametrize("code", FILES)
def test_rows_on_the_wire_cut_as_the_module_does(code: int) -> None:
    """Slots of each described command come out by the same names and bytes."""
    own, built = load_kind(FILES[code]).families[0], built_in().family_of(code)
    for command in own.commands:
        bits = [byte >> n & 1 for byte in (*command.code, *range(24)) for n in range(8)]
        ours, theirs = (commands_in(bits, rows.commands) for rows in (own, built))
        assert ours[0].code == theirs[0].code
        assert ours[0].command is not None
        assert ours[0].command.effect == theirs[0].command.effect  # type: ignore[union-attr]
        assert [p.data for p in ours[0].pieces] == [p.data for p in theirs[0].pieces]
