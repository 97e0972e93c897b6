"""A device under several conditions: one entry of what failed, values never mixed."""

from __future__ import annotations

from typing import Any

import pytest

from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.record.run import RunRecord
from harness.results.reports.corners import corner_matrices
from harness.results.reports.html import render
from harness.results.reports.matrix import matrices
from harness.results.summary.lines import summary_lines
from harness.results.summary.making import summary_of
from tests.page_reader import read

CONDITIONS = ("-40 degC, 3 V", "25 degC, 3 V", "85 degC, 3 V")
HINT = "compare with a reference"


def _device(number: int) -> DeviceRef:
    return DeviceRef(
        rom_code=f"{number:02X}0000A4B3C2D128", family=0x28, socket=f"P{number}"
    )


def _reading(
    number: int, difference_k: float, temperature_degc: float
) -> dict[str, Any]:
    """A difference against limits of half a kelvin, and the temperature beside it."""
    bad = abs(difference_k) > 0.5
    return CheckResult(
        outcome=Outcome.FAILED if bad else Outcome.PASSED,
        device=_device(number),
        kind="limit" if bad else "",
        message=f"difference is {difference_k} K" if bad else "",
        hint=HINT if bad else "",
        measurements=(
            Measurement(
                name="difference", value=difference_k, unit="K", low=-0.5, high=0.5
            ),
            Measurement(name="temperature", value=temperature_degc, unit="degC"),
        ),
    ).as_dict()


def _lost(number: int) -> dict[str, Any]:
    """A failure that is an event, without any value."""
    return CheckResult(
        outcome=Outcome.FAILED,
        device=_device(number),
        kind="reading-implausible",
        message="no conversion has ended",
        hint="check its supply lead",
    ).as_dict()


@pytest.fixture
def record() -> RunRecord:
    """P1 fails cold and hot, more when hot; P2 loses its supply when cold; P3 is sound."""
    found = {
        CONDITIONS[0]: (_reading(1, -0.6, -40.6), _lost(2), _reading(3, 0.1, -39.9)),
        CONDITIONS[1]: (_reading(1, 0.0, 25.0), _reading(2, 0.1, 25.1), _reading(3, 0.2, 25.2)),
        CONDITIONS[2]: (_reading(1, 0.8, 85.8), _reading(2, 0.2, 85.2), _reading(3, 0.1, 85.1)),
    }  # fmt: skip
    steps = [
        {"step": f"1.{n}", "kind": "read", "title": f"read temperature at {condition}"}
        for n, condition in enumerate(found, start=1)
    ]
    at = {"at": "2026-01-01T00:00:00.000Z", "t_s": 0}
    events: list[dict[str, Any]] = [
        {"event": "run_started", **at, "format": 1, "run_id": "r", "host": "h",
         "plan": {"title": "corners"}, "fixture": {"title": "bench"},
         "versions": {"slotproof": "0.1.0"}, "steps": steps},
    ]  # fmt: skip
    for step, (condition, results) in zip(steps, found.items(), strict=True):
        events += [
            {"event": "step_started", **at, **step, "expected_s": 1, "under": condition},
            *({"event": "check_done", **at, "step": step["step"], "round": 1, "result": r}
              for r in results),
            {"event": "step_done", **at, "step": step["step"], "duration_s": 1,
             "outcome": "failed" if condition != CONDITIONS[1] else "passed"},
        ]  # fmt: skip
    events.append(
        {
            "event": "run_done",
            **at,
            "outcome": "failed",
            "exit_code": 1,
            "interrupted": False,
        }
    )
    return RunRecord.from_events(events)


def test_a_device_that_fails_alike_is_one_entry(record: RunRecord) -> None:
    """With all its conditions, and its message of the worst one."""
    by_device = {f.device.split()[0]: f for f in summary_of(record).failures}
    assert sorted(by_device) == ["P1", "P2"]
    assert by_device["P1"].conditions == (CONDITIONS[0], CONDITIONS[2])
    assert by_device["P1"].condition == CONDITIONS[2]
    assert by_device["P1"].message == "difference is 0.8 K"
    assert by_device["P2"].elsewhere == ""
    texts = [line.text for line in summary_lines(summary_of(record))]
    assert sum(HINT in text for text in texts) == 1
    assert f"    also at: {CONDITIONS[0]}" in texts


def test_values_of_different_conditions_are_never_mixed(record: RunRecord) -> None:
    """The worst difference stands beside the temperature at which it came."""
    for device, difference, temperature in (("P1", "0.8", "85.8"), ("P3", "0.2", "25.2")):  # fmt: skip
        (found,) = (d for d in summary_of(record).devices if d.socket == device)
        assert {v.quantity: v.text for v in found.values} == {
            "difference": difference,
            "temperature": temperature,
        }
        assert len({v.condition for v in found.values}) == 1
    lines = [line.text for line in summary_lines(summary_of(record))]
    assert any("at 85 degC, 3 V: difference 0.8 K, temperature 85.8 degC" in x for x in lines)  # fmt: skip


def test_a_device_without_a_value_stands_at_the_condition_that_failed(
    record: RunRecord,
) -> None:
    """Its good values of other conditions do not speak for it on the screen."""
    lines = [line.text for line in summary_lines(summary_of(record))]
    (line,) = (text for text in lines if text.startswith("  P2 "))
    assert line.endswith(f"failed  at {CONDITIONS[0]}: no value, implausible reading")
    assert "0.1" not in line


def test_a_failure_without_a_value_is_marked_like_one_outside(
    record: RunRecord,
) -> None:
    """Not by colour alone, and each marked cell says what is wrong."""
    (corners,) = corner_matrices(record)
    marks = [[cell.mark for cell in row.cells] for row in corners.rows]
    assert marks == [["OUTSIDE", "", "OUTSIDE"], ["FAILED", "", ""], ["", "", ""]]
    page = render(record, drawn=())
    assert page.count("out failed") == 4  # three corners, and the device's own cell
    assert "implausible reading FAILED" in read(page).shown
    (devices,) = matrices(record)
    assert devices.rows[0].cells[0].condition == CONDITIONS[2]
