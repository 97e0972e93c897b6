"""The measuring steps on simulated benches: values, verdicts, pictures' numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome
from harness.results.wording import value_row

Data = Callable[..., dict[str, Any]]
Run = Callable[..., Any]


def values_of(step: Any, place: int = 0) -> dict[str, Any]:  # noqa: ANN401
    """Measurements of one result of a step by name."""
    return {m.name: m for m in step.results[place].shown.measurements}


def test_line_and_devices(run_plan: Run, bench_data: Data, new_device: Data) -> None:
    """One result for the line and one for each device, all inside the limits."""
    data = bench_data([new_device(0x28, 1), new_device(0x01, 2)])
    ran = run_plan("- measure:", data)
    step = ran.step("1")
    assert ran.code == 0
    assert [result.device is None for result in step.results] == [True, False, False]
    line = values_of(step)
    assert line["rise_time"].unit == "us"
    # no rung of the ladder is below this short line's rise: only an upper end is known
    assert (line["rise_time"].bound, line["rise_time"].uncertainty) == ("at most", None)
    device = values_of(step, 1)
    assert 15 <= device["sample_instant"].value <= 60
    assert (device["sample_instant"].low, device["sample_instant"].high) == (15, 60)
    evidence = step.results[1].shown.evidence["timing"]["sample_instant"]
    assert "2.2 V" in evidence["basis"]


def test_device_out_of_its_limits_fails(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """A device that samples at 12 us fails, with value, uncertainty and a hint."""
    data = bench_data(
        [new_device(0x28, 1), new_device(0x28, 2, time_base={"sample_us": 12.0})]
    )
    ran = run_plan([{"measure": {"what": "sample_instant"}}], data)
    good, bad = ran.step("1").results
    assert (good.outcome, bad.outcome) == (Outcome.PASSED, Outcome.FAILED)
    assert ran.code == 1
    assert bad.shown.kind == "timing"
    assert "below the low limit 15" in bad.shown.message
    assert "more than its uncertainty" in bad.shown.message
    assert "time base" in bad.shown.hint


def test_margin_asked_for(run_plan: Run, bench_data: Data, new_device: Data) -> None:
    """A device at 17 us meets 15 us, and does not keep a margin of 3 us to it."""
    data = bench_data([new_device(0x28, 1, time_base={"sample_us": 17.0})])
    assert run_plan([{"measure": {"what": "sample_instant"}}], data).code == 0
    ran = run_plan([{"measure": {"what": "sample_instant", "margin_us": 3}}], data)
    assert ran.code == 1
    shown = ran.step("1").results[0].shown
    assert shown.kind == "thin-margin"
    assert "inside the low limit of 15 us" in shown.message
    assert "below the 3 us that the plan demands" in shown.message
    assert "meets its data sheet" in shown.hint
    assert values_of(ran.step("1"))["sample_instant"].low == 18


def test_margin_to_the_high_limit(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """A device at 58 us meets 60 us, and does not keep a margin of 3 us to it."""
    data = bench_data([new_device(0x28, 1, time_base={"sample_us": 58.0})])
    ran = run_plan([{"measure": {"what": "sample_instant", "margin_us": 3}}], data)
    shown = ran.step("1").results[0].shown
    assert shown.kind == "thin-margin"
    assert "inside the high limit of 60 us" in shown.message


def test_a_broken_limit_is_more_than_a_thin_margin(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """A device at 12 us misses 15 us, whatever margin is asked for besides."""
    data = bench_data([new_device(0x28, 1, time_base={"sample_us": 12.0})])
    ran = run_plan([{"measure": {"what": "sample_instant", "margin_us": 3}}], data)
    assert ran.step("1").results[0].shown.kind == "timing"


def test_limits_of_the_plan(run_plan: Run, bench_data: Data, new_device: Data) -> None:
    """A plan's own limits take the place of the published ones."""
    data = bench_data([new_device(0x28, 1, time_base={"sample_us": 30.0})])
    step = {"measure": {"what": "sample_instant", "low": 40, "high": 50}}
    ran = run_plan([step], data)
    assert ran.code == 1
    assert values_of(ran.step("1"))["sample_instant"].low == 40


def test_nobody_to_measure_with(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """On an empty bus the failure is the missing presence pulse, no traceback."""
    data = bench_data([new_device(0x28, 1)], faults=[{"kind": "device-absent"}])
    ran = run_plan("- measure:", data)
    assert ran.code == 1
    assert ran.step("1").results[0].shown.kind == "no-presence"


@pytest.mark.parametrize("family", [0x28, 0x01])
def test_shmoo_against_rate(
    run_plan: Run, bench_data: Data, new_device: Data, family: int
) -> None:
    """Write-0 slots shorter than the device's sample instant fail at every rate."""
    data = bench_data([new_device(family, 1, time_base={"sample_us": 40.0})])
    steps = [
        {
            "shmoo": {
                "slot": "write-0",
                "low_us": [20, 30, 66, 75],
                "slots": 6,
                "against": {"axis": "baud", "values": [100_000, 133_333]},
            }
        }
    ]
    ran = run_plan(steps, data)
    assert ran.code == 0
    facts = ran.step("1").results[0].shown.evidence["shmoo"]
    cells = [
        (point["low_us"], point["wrong"])
        for row in facts["rows"]
        for point in row["points"]
    ]
    assert len(facts["rows"]) == 2
    assert all(bool(wrong) is (low_us < 39) for low_us, wrong in cells), cells


def test_shmoo_against_temperature(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """Each row carries the temperature that the device itself read."""
    device = new_device(0x28, 1, temperature_degc=20.0, drift_degc_per_h=60.0)
    steps = [
        {
            "shmoo": {
                "slot": "read",
                "low_us": [6, 9],
                "slots": 72,
                "against": {"axis": "temperature", "rows": 3, "every_s": 120},
            }
        }
    ]
    ran = run_plan(steps, bench_data([device]))
    rows = ran.step("1").results[0].shown.evidence["shmoo"]["rows"]
    values = [row["value"] for row in rows]
    assert values == sorted(values)
    assert values[-1] - values[0] == pytest.approx(4.0, abs=0.3)


def test_shmoo_with_the_operator(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """A prompted axis asks for each value before it is tried."""
    asked: list[str] = []

    class Hand:
        def ask(self, text: str, *, yes_no: bool) -> bool:
            assert not yes_no
            asked.append(text)
            return True

    steps = [
        {
            "shmoo": {
                "slot": "write-1",
                "low_us": [6, 9],
                "slots": 24,
                "against": {
                    "axis": "prompt",
                    "values": [4.5, 5.5],
                    "label": "supply",
                    "unit": "V",
                },
            }
        }
    ]
    ran = run_plan(steps, bench_data([new_device(0x28, 1)]), operator=Hand())
    assert ran.code == 0
    assert asked == ["set supply to 4.5 V", "set supply to 5.5 V"]


def test_shmoo_without_its_axis_is_skipped(
    run_plan: Run, bench_data: Data, new_device: Data
) -> None:
    """A serial number has no temperature: skipped with the reason."""
    steps = [
        {
            "shmoo": {
                "slot": "read",
                "low_us": [6],
                "against": {"axis": "temperature"},
            }
        }
    ]
    ran = run_plan(steps, bench_data([new_device(0x01, 1)]))
    assert ran.step("1").outcome is Outcome.SKIPPED
    assert "no temperature" in ran.step("1").results[0].shown.message


def test_a_violated_budget_is_noted_beside_what_was_measured(
    run_plan: Callable[..., Any],
    bench_data: Callable[..., dict[str, Any]],
    new_device: Callable[..., dict[str, Any]],
) -> None:
    """A reader of a passed survey hears that the data sheets do not promise it."""
    data = bench_data([new_device(0x28, 1)])
    steps = [{"measure": {"what": ["rise_time"]}}]
    assert run_plan(steps, data).shown("1").notes == ()
    data["line"] |= {"cable_m": 300}
    data["simulation"]["line"] = {"cable_m": 1}
    (note,) = run_plan(steps, data).shown("1").notes
    assert "not guaranteed by the data sheets" in note
    assert "recovery left after write-0" in note


def test_a_rise_from_zero_is_a_bound_in_a_diagnosis_too() -> None:
    """Not 1.085 +- 1.085 us."""
    from harness.plans.steps.diagnose import _rise

    assert value_row(_rise(0.0, 2.17)).line == (
        "rise_time = at most 2.17 us (no limits) not judged"
    )
    assert value_row(_rise(3.0, 5.0)).value == "4.0 +- 1.0"
