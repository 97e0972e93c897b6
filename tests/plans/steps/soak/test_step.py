"""The soak step: counts, gaps, blame, and memory that does not grow."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from harness.records import CheckResult, Outcome

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def values(result: CheckResult) -> dict[str, Any]:
    """Measured values by name."""
    return {m.name: m.value for m in result.measurements}


def events(ran: Any, name: str) -> list[dict[str, Any]]:  # noqa: ANN401
    """The events of a name."""
    return [e for e in ran.events if e["event"] == name]


@pytest.fixture
def two(bench_data: Make, new_device: Make) -> Make:
    """Make fixture data of two thermometers at 20 and 21 degC."""

    def make(**more: Any) -> Any:  # noqa: ANN401
        devices = [
            new_device(0x28, 5, temperature_degc=20.0),
            new_device(0x28, 6, temperature_degc=21.0),
        ]
        return bench_data(devices, **more)

    return make


def test_cycles_are_counted(run_plan: Make, two: Make) -> None:
    """A soak of so many cycles reads each device in each, at the set distance."""
    ran = run_plan("- soak: {cycles: 5, every_s: 30, low: 10, high: 30}", two())
    assert ran.code == 0
    assert values(ran.shown("1"))["cycles"] == 5
    assert values(ran.shown("1", "S1"))["readings"] == 5
    times = [e["t_s"] for e in events(ran, "soak_progress")]
    gaps = [b - a for a, b in pairwise(times)]
    assert gaps == pytest.approx([30] * 4, abs=0.2)


def test_duration_ends_the_soak(run_plan: Make, two: Make) -> None:
    """A soak of a duration ends with it: an hour at one a minute is 60 rounds."""
    ran = run_plan("- soak: {for_s: 3600, every_s: 60}", two())
    assert values(ran.shown("1"))["cycles"] == 60
    assert ran.step("1").duration_s < 3600


def test_worst_values_are_kept(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Lowest, highest and mean of a drifting device are those of its readings."""
    device = new_device(0x28, 5, temperature_degc=20.0, drift_degc_per_h=2.0)
    ran = run_plan("- soak: {for_s: 3600, every_s: 600}", bench_data([device]))
    readings = [e["readings"]["F500000000000528"] for e in events(ran, "soak_progress")]
    got = values(ran.shown("1", "S1"))
    assert len(readings) == 6
    assert got["temperature_lowest"] == min(readings)
    assert got["temperature_highest"] == max(readings) > min(readings)
    assert got["temperature_mean"] == pytest.approx(sum(readings) / 6, abs=1e-4)


def test_a_limit_missed_once_is_told_with_its_time(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A device that drifts out of its limits fails; each miss is in the journal with its time."""
    device = new_device(0x28, 5, temperature_degc=20.0, drift_degc_per_h=2.0)
    ran = run_plan(
        "- soak: {for_s: 3600, every_s: 600, high: 21}", bench_data([device])
    )
    result = ran.shown("1", "S1")
    missed = [e for e in events(ran, "soak_error") if e["kind"] == "limit"]
    assert (ran.code, result.kind) == (1, "limit")
    assert len(missed) == values(result)["out_of_limits"] == 2
    assert missed[0]["t_s"] > 2300
    assert missed[0]["device"] == "F500000000000528"


def test_errors_are_counted_per_device(run_plan: Make, two: Make) -> None:
    """A device that drops off for a while is counted, retried and named; its neighbour is not."""
    fault = {
        "kind": "device-drops-off",
        "device": "S2",
        "at_s": 95.0,
        "for_s": 60.0,
    }
    ran = run_plan(
        "- soak: {cycles: 5, every_s: 60, retries: 1, tolerate: {lost_readings: 0}}",
        two(faults=[fault]),
    )
    bus, good, bad = (ran.shown("1", s) for s in ("", "S1", "S2"))
    assert ran.code == 1
    assert bus.kind == "soak"
    assert "lost_readings is 1, allowed 0" in bus.message
    assert values(bad)["lost_readings"] == 1
    assert values(bad)["readings"] == 4
    assert values(bad)["tries"] == 6
    assert values(good)["tries"] == values(good)["readings"] == 5
    assert {e["device"] for e in events(ran, "soak_error")} == {"AC00000000000628"}
    assert all(95 < e["t_s"] < 156 for e in events(ran, "soak_error"))


def test_tolerated_losses_pass_and_stay_visible(run_plan: Make, two: Make) -> None:
    """What the plan tolerates passes, with the counts beside the limits."""
    fault = {"kind": "device-drops-off", "device": "S2", "at_s": 95, "for_s": 60}
    ran = run_plan(
        "- soak: {cycles: 5, every_s: 60, tolerate: {lost_readings: 1}}",
        two(faults=[fault]),
    )
    assert ran.code == 0
    assert values(ran.shown("1"))["lost_readings"] == 1


def test_check_values_and_retries(run_plan: Make, two: Make) -> None:
    """Bit flips are counted as wrong check values or disturbed slots and retried."""
    fault = {"kind": "bit-flips", "probability": 0.002, "at_s": 5}
    # 152 slots of a reading: 0.26 of the tries fail, 9 in a row in 80 readings 0.05 %
    ran = run_plan("- soak: {cycles: 40, every_s: 10, retries: 8}", two(faults=[fault]))
    got = values(ran.shown("1"))
    assert ran.code == 0
    assert got["retries"] > 0
    assert got["lost_readings"] == 0
    assert got["check_values"] == sum(
        e["kind"] == "check-value" for e in events(ran, "soak_error")
    )


def test_missing_presence_is_counted(run_plan: Make, two: Make) -> None:
    """An empty bus for one round counts missing presences, and the soak goes on."""
    fault = {"kind": "device-absent", "at_s": 95, "for_s": 60}
    ran = run_plan("- soak: {cycles: 5, every_s: 60}", two(faults=[fault]))
    got = values(ran.shown("1"))
    assert got["missing_presence"] == 3  # the common start, and one for each device
    assert values(ran.shown("1", "S1"))["missing_presence"] == 1
    assert values(ran.shown("1", "S1"))["readings"] == 4


def test_unplugged_for_a_minute(run_plan: Make, two: Make) -> None:
    """An adapter away for a minute is waited for: a gap is noted, no reading is lost.

    Neither the adapter's absence nor what it spoilt is booked against a device.
    """
    fault = {"kind": "adapter-unplugged", "at_s": 61.0, "for_s": 60.0}
    ran = run_plan(
        "- soak: {cycles: 6, every_s: 20, low: 10, high: 30}", two(faults=[fault])
    )
    got = values(ran.shown("1"))
    (gap,) = events(ran, "gap")
    assert ran.code == 0
    assert got["adapter_gaps"] == 1
    assert 38 < got["adapter_away"] < 62
    assert gap["to_s"] - gap["from_s"] == pytest.approx(got["adapter_away"], abs=0.01)
    assert ran.record.gap_s == pytest.approx(got["adapter_away"], abs=0.01)
    for socket in ("S1", "S2"):
        assert values(ran.shown("1", socket))["readings"] == 6
        assert values(ran.shown("1", socket))["lost_readings"] == 0


@pytest.mark.parametrize("delay_s", [0.3, 0.72, 0.76])
def test_supply_lost_with_the_adapter_is_no_reading(
    run_plan: Make, two: Make, delay_s: float
) -> None:
    """Where the adapter feeds the devices, a conversion cut by the gap is made again."""
    steps = "- soak: {cycles: 3, every_s: 20, low: 10, high: 30}"
    data = two()
    data["power"] = {"supply_on": "rts"}
    start_s = run_plan(steps, data).started_s("1")
    data["simulation"]["faults"] = [
        {
            "kind": "adapter-unplugged",
            "at_s": start_s + 20 + delay_s,
            "for_s": 5.0,
        }
    ]
    ran = run_plan(steps, data)
    assert ran.code == 0
    assert values(ran.shown("1"))["adapter_gaps"] == 1
    assert values(ran.shown("1", "S1"))["readings"] == 3
    assert not [e for e in events(ran, "soak_error") if "implausible" in e["kind"]]


@pytest.mark.parametrize("length", ["for_s: 300", "cycles: 10"])
def test_adapter_that_stays_away_is_an_error(
    run_plan: Make, two: Make, length: str
) -> None:
    """An adapter that never comes back ends in an error of the bus, not of a device."""
    fault = {"kind": "adapter-unplugged", "at_s": 61.0}
    ran = run_plan(f"- soak: {{{length}, every_s: 20}}", two(faults=[fault]))
    bus = ran.shown("1")
    assert ran.code == 3
    assert (bus.outcome, bus.kind) == (Outcome.ERROR, "adapter-unplugged")
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


def test_deaf_adapter_is_never_the_devices_fault(run_plan: Make, two: Make) -> None:
    """An adapter that hears nothing for good makes errors, and no failed device."""
    fault = {"kind": "adapter-no-echo", "at_s": 5.0}
    ran = run_plan(
        "- wait: {for_s: 6}\n- soak: {cycles: 3, every_s: 20}", two(faults=[fault])
    )
    assert ran.code == 3
    assert {str(r.outcome) for _, r in ran.record.results} <= {"passed", "error"}


def test_readings_invalid_through_the_adapter_are_an_error(
    run_plan: Make, two: Make
) -> None:
    """Readings that an adapter spoilt are invalid, and counted apart from lost ones."""
    fault = {"kind": "adapter-no-echo", "at_s": 65.0, "for_s": 50.0}
    ran = run_plan("- soak: {cycles: 8, every_s: 20, retries: 1}", two(faults=[fault]))
    got = values(ran.shown("1"))
    assert ran.code == 3
    assert got["invalid_readings"] > 0
    assert got["lost_readings"] == 0
    assert ran.shown("1").kind == "adapter"
    assert ran.shown("1", "S1").outcome is Outcome.PASSED


def test_late_rounds_are_counted(run_plan: Make, two: Make) -> None:
    """Rounds that take longer than their distance are counted as late."""
    ran = run_plan("- soak: {cycles: 4, every_s: 0.2}", two())
    assert ran.shown("1").evidence["late_cycles"] == 4


@pytest.mark.slow
def test_memory_stays_flat(run_plan: Make, two: Make) -> None:
    """A soak keeps counts, not readings: live objects do not grow with its cycles."""
    import gc

    from harness.plans.steps.soak import tally as soak_tally

    counts: list[int] = []
    own_take = soak_tally.SoakTally.take

    class Watching(soak_tally.SoakTally):
        __slots__ = ()

        def take(self, value: float) -> None:
            own_take(self, value)
            if self.readings % 100 == 0:
                gc.collect()
                counts.append(len(gc.get_objects()))

    patch = pytest.MonkeyPatch()
    with patch.context() as context:
        context.setattr("harness.plans.steps.soak.tally.SoakTally", Watching)
        run_plan("- soak: {cycles: 500, every_s: 10}", two())
    assert len(counts) == 10
    assert max(counts[2:]) - min(counts[2:]) < 50
