"""What a soak proves, and when it ends early."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome

Make = Callable[..., Any]


@pytest.fixture
def two(bench_data: Make, new_device: Make) -> Make:
    """Make fixture data of two thermometers."""
    return lambda **more: bench_data(
        [new_device(0x28, 5, temperature_degc=20.0), new_device(0x28, 6)], **more
    )


def values(result: Any) -> dict[str, Any]:  # noqa: ANN401
    return {m.name: m.value for m in result.measurements}


def events(ran: Any, name: str) -> list[dict[str, Any]]:  # noqa: ANN401
    return [e for e in ran.events if e["event"] == name]


def test_what_may_be_claimed(run_plan: Make, two: Make) -> None:
    """100 error-free readings of each device prove 2.95 % for it, and more for the bus.

    Source: one-sided exact bound, NIST/SEMATECH e-Handbook 7.2.4.1: 0 of 100 gives
    0.029513 at 95 %.
    """
    ran = run_plan("- soak: {cycles: 100, every_s: 10}", two())
    device = values(ran.shown("1", "S1"))
    assert device["error_rate"] == 0
    assert device["error_rate_at_most"] == pytest.approx(0.029513, abs=5e-7)
    # the bus was tried at 100 common starts besides
    assert values(ran.shown("1"))["error_rate_at_most"] == pytest.approx(
        1 - 0.05 ** (1 / 300), rel=1e-5
    )


def test_told_before_it_begins(run_plan: Make, two: Make) -> None:
    """The journal states what the soak can prove before its first reading."""
    ran = run_plan("- soak: {cycles: 10, every_s: 10}", two())
    names = [e["event"] for e in ran.events]
    assert names.index("soak_started") < names.index("soak_progress")
    (started,) = events(ran, "soak_started")
    assert started["outlook"]["rounds"] == 10
    assert "10 readings of each device" in started["sentences"][0]
    assert [d["socket"] for d in started["devices"]] == ["S1", "S2"]


def test_a_claim_that_is_not_proved_fails(run_plan: Make, two: Make) -> None:
    """Too few readings for the claim: failed, with the rate that is proved."""
    claim = {"error_rate": 0.05, "of": "bus"}
    steps = [{"soak": {"cycles": 10, "every_s": 10, "claim": claim}}]
    ran = run_plan(steps, two())
    bus = ran.shown("1")
    assert (ran.code, bus.outcome, bus.kind) == (1, Outcome.FAILED, "claim")
    assert "0.0951 is proved, the plan claims 0.05" in bus.message
    steps[0]["soak"]["cycles"] = 20
    assert run_plan(steps, two()).code == 0


def test_claim_of_each_device(run_plan: Make, two: Make) -> None:
    """A claim for each device judges the devices: the one with errors fails."""
    fault = {"kind": "device-drops-off", "device": "S2", "at_s": 95, "for_s": 60}
    claim = {"error_rate": 0.1, "of": "each-device"}
    ran = run_plan(
        [{"soak": {"cycles": 30, "every_s": 30, "retries": 2, "claim": claim,
                   "tolerate": {"lost_readings": 5}}}],
        two(faults=[fault]),
    )  # fmt: skip
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
    assert ran.shown("1", "S2").kind == "claim"
    assert values(ran.shown("1", "S2"))["error_rate"] > 0.1


def test_adapter_errors_are_no_error_rate(run_plan: Make, two: Make) -> None:
    """What the adapter spoilt stands in no error rate: it says nothing of the bus."""
    fault = {"kind": "adapter-no-echo", "at_s": 65.0, "for_s": 50.0}
    ran = run_plan("- soak: {cycles: 8, every_s: 20}", two(faults=[fault]))
    assert values(ran.shown("1"))["error_rate"] == 0
    assert values(ran.shown("1"))["invalid_readings"] > 0


def test_stops_at_lost_readings(run_plan: Make, two: Make) -> None:
    """At so many lost readings the soak ends, failed, and says in which cycle."""
    fault = {"kind": "device-absent", "device": "S2", "at_s": 95}
    stop = "stop_at: {lost_readings: 3}, tolerate: {lost_readings: 100}"
    ran = run_plan(f"- soak: {{cycles: 500, every_s: 30, {stop}}}", two(faults=[fault]))
    bus = ran.shown("1")
    assert (ran.code, bus.kind) == (1, "stopped")
    assert "3 readings lost" in bus.message
    assert values(bus)["cycles"] < 10
    (stopped,) = events(ran, "soak_stopped")
    assert stopped["why"] == bus.message


@pytest.mark.slow
def test_stops_at_an_error_rate(run_plan: Make, two: Make) -> None:
    """A noisy bus ends at the rate; a single error does not end a quiet one."""
    stop = "retries: 9, stop_at: {error_rate: 0.01}"
    noisy = {"kind": "bit-flips", "probability": 0.002, "at_s": 5}
    ran = run_plan(f"- soak: {{cycles: 400, every_s: 5, {stop}}}", two(faults=[noisy]))
    assert ran.shown("1").kind == "stopped"
    assert "a sequential test finds twice that" in ran.shown("1").message
    once = {"kind": "device-absent", "device": "S2", "at_s": 30, "for_s": 5}
    stop = stop.replace("retries: 9", "retries: 1, tolerate: {lost_readings: 1}")
    ran = run_plan(f"- soak: {{cycles: 60, every_s: 5, {stop}}}", two(faults=[once]))
    assert values(ran.shown("1"))["cycles"] == 60
    assert values(ran.shown("1"))["error_rate"] > 0
