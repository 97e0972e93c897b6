"""What instruments have in force: in timing and budget, in restarts, outside of ranges."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.families.hazard import Hazard
from harness.instruments import marker
from harness.instruments.instrument import Instrument
from harness.plans.execution.hazard_gate import hazards_in
from harness.plans.loading.files import check_together, parse_plan
from harness.plans.loading.problems import PlanError
from harness.plans.schema.varied.instruments import InstrumentSettings, feeding_line
from harness.records import CheckResult, Outcome
from harness.results.record.evidence import shmoo_of

Make = Callable[..., Any]


@pytest.fixture(autouse=True)
def _marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path / "marks"))


@pytest.fixture
def bench(bench_data: Make, new_device: Make) -> Make:
    """Fixture data of one thermometer on a simulated supply of 5 V."""

    def make(**device: Any) -> dict[str, Any]:  # noqa: ANN401
        data: dict[str, Any] = bench_data([new_device(0x28, 5, **device)])
        data["adapter"]["bears_v"] = 5.5
        data["instruments"] = [
            {
                "name": "PSU", "kind": "supply", "library": "simulated",
                "resource": "PSU", "identity": "INVENTED",
                "limits": {"voltage_v": [0, 5.5]}, "tolerance": {"voltage_v": 0.02},
                "start": {"output": True, "voltage_v": 5.0}, "rest": {"output": False},
            }
        ]  # fmt: skip
        data["simulation"]["instruments"] = [{"kind": "supply", "resource": "PSU"}]
        return data

    return make


SWEEP = """\
- vary:
    over: {PSU: {voltage_v: [2.7, 3.3]}}
    steps:
      - read: {quantity: temperature, low: 0, high: 50}
      - measure: {what: capacitance}
"""


def test_outside_its_range_a_value_is_shown(run_plan: Make, bench: Make) -> None:
    """2.7 V is less than a data sheet promises: no verdict there, and one at 3.3 V."""
    ran = run_plan(SWEEP, bench(conversion_min_v=2.5))
    low, high = ran.shown("1.1.1", "S1"), ran.shown("1.2.1", "S1")
    assert ran.code == 0
    assert (low.outcome, low.kind) == (Outcome.SKIPPED, "outside-range")
    assert "2.7 V lies outside 3 to 5.5 V" in low.message
    assert (low.measurements[0].low, low.measurements[0].value) == (None, 21.0)
    assert (high.outcome, high.measurements[0].high) == (Outcome.PASSED, 50)


def test_a_failure_outside_is_told_and_not_booked(run_plan: Make, bench: Make) -> None:
    """It is in the message; where the plan says so it is a failure."""
    shown = run_plan(SWEEP, bench(conversion_min_v=2.8)).shown("1.1.1", "S1")
    assert shown.outcome is Outcome.SKIPPED
    assert "it would have failed: 85 degC is the power-on value" in shown.message
    judged = SWEEP.replace("    steps:", "    outside_range: judge\n    steps:")
    ran = run_plan(judged, bench(conversion_min_v=2.8))
    assert ran.shown("1.1.1", "S1").outcome is Outcome.FAILED


def test_the_supply_in_force_is_that_of_the_line(run_plan: Make, bench: Make) -> None:
    """Capacitance comes from a rise time that depends on the supply, and stays the same."""
    ran = run_plan(SWEEP, bench())
    low, high = (ran.shown(step).measurements[0] for step in ("1.1.2", "1.2.2"))
    assert abs(low.value - high.value) < low.uncertainty
    assert any("worst case idle line 2.689 V" in n for n in ran.shown("1.1.2").notes)


def test_a_restart_by_the_supply_is_noted(run_plan: Make, bench: Make) -> None:
    """A device that lost its resolution with the supply has not failed; it is set anew."""
    ran = run_plan(
        "- configure: {settings: {resolution_bits: 9}}\n"
        "- read: {quantity: temperature}\n"
        "- adjust: {instrument: PSU, to: {output: false}}\n"
        "- adjust: {instrument: PSU, to: {output: true}}\n"
        "- read: {quantity: temperature}\n",
        bench(),
    )
    assert ran.code == 0
    (note,) = ran.shown("4").notes
    assert "restarted with the change of the supply" in note
    assert "resolution_bits 9 was set for this step" in ran.shown("5", "S1").notes[0]


def test_a_range_that_is_not_known_is_said(
    run_plan: Make, bench: Make, new_device: Make
) -> None:
    """A kind without a row is judged, and each verdict says on what footing."""
    data = bench()
    data["simulation"]["devices"] = [new_device(0x20, 5)]
    data["sockets"] = [{"name": "S1", "expect": {"family": 0x20}}]
    shown = run_plan(
        "- adjust: {instrument: PSU, to: {voltage_v: 4.8}}\n- enumerate: {count: 1}\n",
        data,
    ).shown("2")
    assert shown.outcome is Outcome.PASSED
    assert any("supply range of family 20h is not known here" in n for n in shown.notes)


def _supply(name: str, **more: str) -> InstrumentSettings:
    return InstrumentSettings.model_validate(
        {
            "name": name, "kind": "supply", "resource": name, "identity": "X",
            "limits": {"voltage_v": [0, 5]}, "rest": {"output": False}, **more,
        }
    )  # fmt: skip


def test_which_supply_feeds_the_line() -> None:
    """The one that says so, or the only one; of two that say nothing none."""
    assert feeding_line([_supply("A")]) == "A"
    assert feeding_line([_supply("A", feeds="other")]) == ""
    assert feeding_line([_supply("A"), _supply("B")]) == ""
    assert feeding_line([_supply("A"), _supply("B", feeds="line")]) == "B"


def test_two_supplies_cannot_feed_it(write_fixture: Make, bench: Make) -> None:
    """Said at the second one."""
    data = bench()
    data["instruments"][0]["feeds"] = "line"
    data["instruments"].append(deepcopy(data["instruments"][0]) | {"name": "PSU2"})
    with pytest.raises(PlanError, match="PSU2 feeds the line, as another"):
        write_fixture(data)


GRID = """\
- shmoo:
    slot: read
    low_us: {from: 2, to: 12, step: 5}
    slots: 8
    against: {axis: instrument, instrument: PSU, setting: voltage_v, values: [5.0, 3.3]}
"""


def test_a_grid_over_a_supply(run_plan: Make, bench: Make) -> None:
    """Each row has its voltage in force; the one before is put back."""
    meter = "- meter: {instrument: PSU, quantity: voltage_v}\n"
    ran = run_plan(GRID + meter, bench())
    shown = ran.shown("1", "S1")
    grid = shmoo_of(shown)
    assert grid is not None
    assert (grid.label, grid.unit) == ("PSU voltage_v", "V")
    assert [row.value for row in grid.rows] == [5.0, 3.3]
    assert shown.outcome is Outcome.PASSED
    assert ran.shown("2").measurements[0].value == 5.0


def test_a_grid_beyond_what_is_borne(write_fixture: Make, bench: Make) -> None:
    """`check` tells it before anything is sent, and hazards are those of the settings."""
    fixture = write_fixture(bench())
    steps = yaml.safe_load(GRID.replace("3.3]", "5.6]"))
    plan = parse_plan(yaml.safe_dump({"plan": "p", "steps": steps}), "plan.yaml")
    (problem,) = check_together(plan, fixture)
    assert "voltage_v 5.6 of PSU lies outside its limits" in str(problem)
    steps = yaml.safe_load(GRID.replace("3.3]", "5.4]"))
    plan = parse_plan(yaml.safe_dump({"plan": "p", "steps": steps}), "plan.yaml")
    assert [set(use.hazards) for use in hazards_in(plan, fixture)] == [
        {Hazard.OVER_VOLTAGE}
    ]


def test_a_row_outside_of_the_range_is_shown(run_plan: Make, bench: Make) -> None:
    """2.7 V makes no verdict, and the row at 5 V is judged all the same."""
    ran = run_plan(GRID.replace("3.3]", "2.7]"), bench())
    shown = ran.shown("1", "S1")
    grid = shmoo_of(shown)
    assert grid is not None
    assert shown.outcome is Outcome.PASSED
    assert "2.7 V lies outside" in grid.rows[1].not_judged
    assert grid.rows[0].not_judged == ""
    assert any("row 2.7 shown, not judged" in note for note in shown.notes)
    (held,) = (m for m in shown.measurements if m.name == "cells_held")
    first_us, last_us = grid.must_hold_us
    inside = [p for p in grid.rows[0].points if first_us <= p.asked_us <= last_us]
    assert held.value == len(inside)


def test_a_grid_wholly_outside_is_shown(run_plan: Make, bench: Make) -> None:
    """No row is left that a verdict could rest on, unless the plan says so."""
    outside = GRID.replace("[5.0, 3.3]", "[2.7, 2.8]")
    shown = run_plan(outside, bench()).shown("1", "S1")
    assert (shown.outcome, shown.kind) == (Outcome.SKIPPED, "outside-range")
    assert "2.7 V lies outside" in shown.message
    judged = f"{outside}    outside_range: judge\n"
    assert run_plan(judged, bench()).shown("1", "S1").kind != "outside-range"


@pytest.mark.parametrize(
    "against",
    [
        "{axis: instrument, values: [3.3]}",
        "{axis: baud, instrument: PSU, values: [3.3]}",
        "{axis: instrument, instrument: PSU, setting: voltage_v}",
    ],
)
def test_an_axis_is_whole(against: str) -> None:
    """Instrument, setting and values, and no instrument for another axis."""
    text = (
        f"plan: p\nsteps:\n  - shmoo: {{slot: read, low_us: [2], against: {against}}}\n"
    )
    with pytest.raises(PlanError, match="axis"):
        parse_plan(text, "plan.yaml")


DRAWN = "- meter: {instrument: PSU, quantity: current_a, during: conversion, high: 0.0015}\n"


def _values(result: CheckResult) -> dict[str, Any]:
    return {m.name: m.value for m in result.measurements}


def test_what_devices_draw_while_they_convert(
    run_plan: Make, bench: Make, new_device: Make
) -> None:
    """1 mA and 1 uA at rest each, as the models have it: two together, and one by one."""
    data = bench()
    data["simulation"]["devices"].append(new_device(0x28, 6))
    steps = f"{DRAWN}- for_each:\n    steps:\n      {DRAWN}- read: {{quantity: temperature}}"
    ran = run_plan(steps, data)
    together = ran.shown("1")
    assert together.outcome is Outcome.FAILED
    assert _values(together) == {
        "current_a": pytest.approx(2e-3, rel=0.01),
        "current_a_before": pytest.approx(2e-6),
        "current_a_each": pytest.approx(1e-3, rel=0.01),
        "devices_converting": 2,
    }
    alone = ran.shown("2.1", "S1")
    assert alone.outcome is Outcome.PASSED
    assert _values(alone)["devices_converting"] == 1
    assert ran.shown("3", "S1").outcome is Outcome.PASSED


def _of_n(n: int) -> str:
    return DRAWN.replace("high: 0.0015", f"devices: {n}")


def test_what_some_devices_draw(run_plan: Make, bench: Make, new_device: Make) -> None:
    """1 mA each: one, two and three of three, each started by itself or all at once."""
    data = bench()
    data["simulation"]["devices"] += [new_device(0x28, n) for n in (6, 7)]
    ran = run_plan("".join(map(_of_n, (1, 2, 3, 4))), data)
    for n in (1, 2, 3):
        values = _values(ran.shown(str(n)))
        assert values["devices_converting"] == n
        assert values["current_a"] == pytest.approx(n * 1e-3, rel=0.01)
        assert values["current_a_each"] == pytest.approx(1e-3, rel=0.01)
    assert ran.shown("4").outcome is Outcome.ERROR
    assert "4 devices are to convert, and 3 can" in ran.shown("4").message


def test_too_many_to_start_in_time(
    run_plan: Make, bench: Make, new_device: Make
) -> None:
    """At 9 bit a conversion takes 94 ms: the first of five may be over before the last."""
    data = bench()
    data["simulation"]["devices"] += [new_device(0x28, n) for n in range(6, 12)]
    set_up = "- configure: {settings: {resolution_bits: 9}}\n"
    shown = run_plan(set_up + _of_n(5), data).shown("2")
    assert shown.outcome is Outcome.ERROR
    assert "may have ended before" in shown.message


def test_devices_on_the_line_are_not_addressed_meanwhile(
    run_plan: Make, bench: Make, new_device: Make
) -> None:
    """A line that must idle carries no second command."""
    data = bench(supply="parasite")
    data["line"]["pull_up_ohm"] = 1000
    more = [new_device(0x28, n, supply="parasite") for n in (6, 7)]
    data["simulation"]["devices"] += more
    shown = run_plan(_of_n(2), data).shown("1")
    assert "no other can be addressed meanwhile" in shown.message


def test_devices_only_with_a_conversion() -> None:
    """At rest nobody is picked out."""
    with pytest.raises(PlanError, match="devices without a conversion"):
        parse_plan(
            "plan: p\nsteps:\n  - meter: {instrument: PSU, quantity: current_a, "
            "devices: 2}\n",
            "plan.yaml",
        )


def test_a_meter_that_is_too_slow(
    run_plan: Make, bench: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer after the conversion is no current of a conversion: the bench's error."""
    plain = Instrument.read

    def slow(self: Instrument, quantity: str) -> float:
        self._clock.sleep(1.0)
        return plain(self, quantity)

    monkeypatch.setattr(Instrument, "read", slow)
    shown = run_plan(DRAWN, bench()).shown("1")
    assert shown.outcome is Outcome.ERROR
    assert "after the conversion had begun, which may have ended" in shown.message


def test_parasite_fed_devices_are_metered_through_the_line(
    run_plan: Make, bench: Make
) -> None:
    """The line idles high meanwhile, and what its pull-up gives is what is read."""
    data = bench(supply="parasite")
    data["line"]["pull_up_ohm"] = 1000
    shown = run_plan(DRAWN, data).shown("1")
    values = _values(shown)
    assert shown.kind != "adapter"
    assert values["current_a"] > 10 * values["current_a_before"]
