"""The stress step: where slots break, told point by point."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def held(result: Any, slot_wrong: bool = False) -> list[float]:  # noqa: ANN401
    """Low times in us at which no slot (or some slot) went wrong."""
    return [
        point["low_us"]
        for point in result.evidence["points"]
        if bool(point["wrong"]) == slot_wrong
    ]


@pytest.fixture
def two_with(bench_data: Make, new_device: Make) -> Make:
    """Make fixture data of a thermometer with a sample instant, and a sound one."""
    return lambda sample_us: bench_data(
        [
            new_device(0x28, 5, time_base={"sample_us": sample_us}),
            new_device(0x28, 6, time_base={"sample_us": 30}),
        ]
    )


@pytest.mark.parametrize("sample_us", [16, 28, 58])
def test_write_0_breaks_at_the_sample(
    run_plan: Make, bench_data: Make, new_device: Make, sample_us: float
) -> None:
    """A write-0 shorter than the device's sample instant is read as a 1, a longer holds."""
    device = new_device(0x28, 5, time_base={"sample_us": sample_us})
    ran = run_plan(
        "- stress: {slot: write-0, low_us: {from: 8, to: 76, step: 4}, slots: 32}",
        bench_data([device]),
    )
    result = ran.shown("1", "S1")
    assert max(held(result, slot_wrong=True)) <= sample_us + 2
    assert min(held(result)) >= sample_us - 2


def test_write_1_breaks_at_the_sample(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A device that samples at 20 us takes a write-1 of more than 20 us low for a 0."""
    device = new_device(0x28, 5, time_base={"sample_us": 20})
    ran = run_plan(
        "- stress: {slot: write-1, low_us: {from: 2, to: 30, step: 1}, slots: 32}",
        bench_data([device]),
    )
    result = ran.shown("1", "S1")
    assert 17 <= max(held(result)) <= 20
    assert min(held(result, slot_wrong=True)) > 17


@pytest.mark.parametrize(
    "case",
    [
        (14, "write-1", [5, 8, 14.5], "write-1 slots fail at 14.5"),
        # the nearest to 60 us that the clock's doubt of 0.1 us cannot take outside
        (62, "write-0", [60, 90, 120], "write-0 slots fail at 60.1"),
    ],
)
def test_device_outside_the_published_times_is_found(
    run_plan: Make, two_with: Make, case: tuple[float, str, list[float], str]
) -> None:
    """A sample instant of 14 or 62 us fails within the published limits, its twin passes.

    Published: 15 to 60 us after the falling edge (data sheet family 28h, part
    DS18B20, slot timing).
    """
    sample_us, slot, span, broken = case
    steps = [{"stress": {"slot": slot, "low_us": span, "slots": 64}}]
    ran = run_plan(steps, two_with(sample_us))
    result = ran.shown("1", "S1")
    assert ran.code == 1
    assert (result.outcome, result.kind) == (Outcome.FAILED, "slot-timing")
    assert result.message.startswith(broken)
    assert "edges first" in result.hint
    assert [p["asked_us"] for p in result.evidence["points"]] == span
    assert ran.shown("1", "S2").outcome is Outcome.PASSED


def test_points_outside_must_hold_may_break(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Points outside must_hold are listed and do not fail the step."""
    device = new_device(0x28, 5, time_base={"sample_us": 28})
    ran = run_plan(
        "- stress: {slot: write-0, low_us: [10, 60, 120], slots: 32, "
        "must_hold: {from_us: 60, to_us: 120}}",
        bench_data([device]),
    )
    assert ran.code == 0
    assert len(held(ran.shown("1", "S1"), slot_wrong=True)) == 1


def test_what_was_in_the_device_is_restored(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """After a sweep the thermometer has the settings that it had before."""
    device = new_device(0x28, 5, alarm_high_degc=33, alarm_low_degc=-7)
    ran = run_plan(
        "- stress: {slot: write-1, low_us: [5, 8], slots: 16}\n"
        "- read: {quantity: alarm_high, low: 33, high: 33}\n"
        "- read: {quantity: alarm_low, low: -7, high: -7}",
        bench_data([device]),
    )
    assert ran.code == 0


@pytest.mark.parametrize("slot", ["write-0", "write-1", "read"])
def test_a_device_without_a_register_is_stressed_by_searching(
    run_plan: Make, bench_data: Make, new_device: Make, slot: str
) -> None:
    """A serial number has nothing to write; its slots are stressed all the same."""
    points = [60, 90] if slot == "write-0" else [5, 8]
    steps = [{"stress": {"slot": slot, "low_us": points, "slots": 30}}]
    ran = run_plan(steps, bench_data([new_device(0x01, 7)]))
    assert ran.code == 0
    tried = [p["slots"] for p in ran.shown("1", "S1").evidence["points"]]
    assert all(slots >= 30 for slots in tried)
