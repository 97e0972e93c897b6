"""Measuring with an adapter that cannot tell everything: what is said, and of whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.plans.execution.adapter_reach import beyond_adapter
from harness.plans.loading.files import parse_plan
from harness.records import Outcome, Side

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def sound(bench_data: Make, new_device: Make, kind: str, **more: Any) -> Any:  # noqa: ANN401
    """A sound bench with one thermometer."""
    return bench_data([new_device(0x28, 5)], kind=kind, **more)


def test_a_pass_says_what_was_not_judged(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The shortest low of an unknown adapter proves nothing about a limit of 1 us."""
    data = sound(bench_data, new_device, "unknown")
    ran = run_plan("- measure: {what: devices}", data)
    shown = ran.shown("1", "S1")
    assert (ran.code, shown.outcome) == (0, Outcome.PASSED)
    assert shown.message.startswith("6 of 6 quantities measured; not judged: ")
    assert "shortest_low is at most 8.7" in shown.message
    low = next(m for m in shown.measurements if m.name == "shortest_low")
    assert low.high_side is Side.OPEN


def test_what_no_quantity_is_judged_of_is_skipped(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A bound that reaches no limit is no pass."""
    data = sound(bench_data, new_device, "unknown")
    ran = run_plan("- measure: {what: shortest_low}", data)
    shown = ran.shown("1", "S1")
    assert (ran.code, shown.outcome, shown.kind) == (0, Outcome.SKIPPED, "not-judged")
    assert "its limit at most 1 us" in shown.message
    assert "finer" in shown.hint


@pytest.mark.parametrize("demand", ["margin_us: 12", "high: 29", "low: 26"])
def test_what_the_plan_demands_and_nobody_can_tell_is_an_error(
    run_plan: Make, bench_data: Make, new_device: Make, demand: str
) -> None:
    """28 us of sample instant, known to 4 us: neither met nor missed."""
    device = new_device(0x28, 5, time_base={"sample_us": 28.0})
    data = bench_data([device], kind="unknown")
    ran = run_plan(f"- measure: {{what: sample_instant, {demand}}}", data)
    shown = ran.shown("1", "S1")
    assert (ran.code, shown.outcome) == (3, Outcome.ERROR), shown.message
    assert "not judged: sample_instant is" in shown.message


def test_a_clock_beyond_its_tolerance_is_the_adapters(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """An error, never a failed bus."""
    data = sound(bench_data, new_device, "integer-divider", adapter={"error_ppm": 9000})
    data["adapter"]["clock_tolerance_ppm"] = 2000
    ran = run_plan("- measure: {what: clock_error}", data)
    shown = ran.shown("1")
    assert (ran.code, shown.outcome, shown.kind) == (3, Outcome.ERROR, "clock")
    assert "above the high limit 2000 ppm" in shown.message


@pytest.mark.parametrize(
    "adapter",
    [
        ("fast-fractional-divider", 4000, "no better than +- 329 ppm"),
        ("exact", 4000, "and 0 ppm are promised"),
        ("integer-divider", 100, "bursts of at most 100 characters are too short"),
    ],
)
def test_a_clock_that_the_host_cannot_tell_is_not_measured(
    run_plan: Make,
    write_fixture: Make,
    bench_data: Make,
    new_device: Make,
    adapter: tuple[str, int, str],
) -> None:
    """Never 0 +- its own promise as if it were a value; reported beforehand in the same words.

    One USB frame of 1 ms in 47 packets of 62 characters at 9600 baud is 329 ppm.
    """
    kind, max_burst, why = adapter
    data = sound(bench_data, new_device, kind)
    data["adapter"]["max_burst"] = max_burst
    text = "- measure: {what: clock_error}"
    shown = run_plan(text, data).shown("1")
    assert shown.outcome is Outcome.SKIPPED
    assert shown.measurements == ()
    assert why in shown.message
    plan = parse_plan(f"plan: a plan\nsteps:\n  {text}\n", "plan.yaml")
    lines = beyond_adapter(plan, write_fixture(data))
    assert any(why in line for line in lines)
    assert "so it cannot pass and is skipped" in lines[-1]


def test_a_margin_that_cannot_be_measured_is_noted_once_a_night(
    run_plan: Make, bench_data: Make, new_device: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No error an hour, for it is none."""
    monkeypatch.setattr("harness.timing.device.read_points", lambda *_: ())
    data = sound(bench_data, new_device, "unknown")
    soak = "{for_s: 1200, every_s: 300, quantity: temperature, margins_every_s: 600}"
    ran = run_plan(f"- soak: {soak}", data)
    notes = [e["text"] for e in ran.events if e["event"] == "note"]
    found = [text for text in notes if "not measurable with this adapter" in text]
    assert found == [
        "margin read_0_hold is not measurable with this adapter: "
        "it makes no frame in that range"
    ]
    assert not [e for e in ran.events if e["event"] == "soak_error"]
    margins = {e["name"] for e in ran.events if e["event"] == "soak_margin"}
    assert margins == {"rise_time", "sample_instant"}


def test_auto_is_assessed_as_unknown_and_says_so(
    write_fixture: Make, bench_data: Make, new_device: Make
) -> None:
    """Which adapter it is shows only on the port, which is not opened."""
    plan = parse_plan(
        "plan: a plan\nsteps:\n  - stress: {slot: read, low_us: [5]}\n", "plan.yaml"
    )
    lines = beyond_adapter(plan, write_fixture(sound(bench_data, new_device, "auto")))
    assert "0 of 1 points made" in lines[0]
    assert lines[-1].startswith("adapter.kind is auto: assessed for an adapter")


def test_overdrive_beyond_the_adapter_is_reported_beforehand(
    write_fixture: Make, bench_data: Make, new_device: Make
) -> None:
    """For whichever step asks for it."""
    plan = parse_plan(
        "plan: a plan\nsteps:\n  - verify: {speed: overdrive}\n", "plan.yaml"
    )
    lines = beyond_adapter(
        plan, write_fixture(sound(bench_data, new_device, "unknown"))
    )
    assert "in overdrive: this adapter is too slow" in lines[0]
