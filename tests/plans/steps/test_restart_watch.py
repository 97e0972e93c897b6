"""A device that restarts between two steps is found although no step asks for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.steps.restart_watch import RestartWatch
from harness.records import DeviceRef, Outcome, Scalar

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

STEPS = """\
- enumerate: {}
- for_each:
    family: 0x28
    steps: [{configure: {settings: {alarm_high_degc: 40, resolution_bits: 9}}}]
- wait: {for_s: 20}
- for_each: {family: 0x28, steps: [{read: {quantity: alarm_low}}]}
- for_each: {family: 0x28, steps: [{read: {quantity: temperature}}]}
"""


def _bench(bench_data: Make, new_device: Make, *faults: dict[str, Any]) -> Any:  # noqa: ANN401
    devices = [new_device(0x28, serial) for serial in (0x11, 0x22)]
    return bench_data(devices, faults=list(faults))


def _by_socket(ran: Any, kind: str) -> dict[str, list[Any]]:  # noqa: ANN401
    found: dict[str, list[Any]] = {}
    for _, result in ran.record.results:
        if result.device is not None and result.shown.kind == kind:
            found.setdefault(result.device.socket, []).append(result.shown)
    return found


def test_a_restart_between_two_steps(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A dip while nobody asks: the next result of that device is held back.

    The reading after it makes the settings again, and remarks that.
    """
    dip = {"kind": "supply-dip", "device": "S1", "at_s": 12, "for_s": 0.01, "to_v": 0.0}
    ran = run_plan(STEPS, _bench(bench_data, new_device, dip))
    (held,) = _by_socket(ran, "restarted")["S1"]
    assert held.outcome is Outcome.FAILED
    assert "alarm_high (marker) was 40" in held.message
    assert "S2" not in _by_socket(ran, "restarted")
    last = [
        r.shown
        for _, r in ran.record.results
        if r.device is not None and r.device.socket == "S1"
    ][-1]
    assert last.outcome is Outcome.PASSED
    assert any("resolution_bits 9" in note for note in last.notes)


def test_a_restart_in_a_step_that_runs_for_long(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A soak keeps what it counted, and the restart stands beside it as a failure."""
    soak = "- soak: {quantity: temperature, family: 0x28, cycles: 4, every_s: 5}\n"
    steps = STEPS[: STEPS.index("- wait")] + soak
    dip = {"kind": "supply-dip", "device": "S1", "at_s": 12, "for_s": 0.01, "to_v": 0.0}
    ran = run_plan(steps, _bench(bench_data, new_device, dip))
    (beside,) = _by_socket(ran, "restarted")["S1"]
    assert beside.outcome is Outcome.FAILED
    assert beside.message.startswith("the device restarted before or in this step")
    assert "S2" not in _by_socket(ran, "restarted")


def test_no_restart(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """The same without the dip: nothing is held back, nothing made again."""
    ran = run_plan(STEPS, _bench(bench_data, new_device))
    assert not _by_socket(ran, "restarted")
    assert all(not r.shown.notes for _, r in ran.record.results)


def test_a_damaged_answer_is_no_restart(
    run_plan: Make, bench_data: Make, new_device: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One look at the signs of S1 comes back as after a restart, the next does not."""
    true_sense, looks = RestartWatch._sense, []

    def damaged_once(self: RestartWatch, device: DeviceRef) -> dict[str, Scalar]:
        found = true_sense(self, device)
        looks.append(device.socket)
        if looks.count("S1") == 2:
            assert found["alarm_high"] == 40
            return {**found, "alarm_high": 75}  # what the model's EEPROM holds
        return found

    monkeypatch.setattr(RestartWatch, "_sense", damaged_once)
    ran = run_plan(STEPS, _bench(bench_data, new_device))
    assert looks.count("S1") > 2
    assert not _by_socket(ran, "restarted")


def test_a_power_on_flag_that_is_set_again(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A switch whose flag was cleared, and is set again after a dip."""
    steps = """\
- enumerate: {}
- check: {function: power_on_flag_clear}
- wait: {for_s: 20}
- read: {quantity: ports}
"""
    dip = {"kind": "supply-dip", "at_s": 15, "for_s": 0.02, "to_v": 0.0}
    ran = run_plan(steps, bench_data([new_device(0x29, 0x31)], faults=[dip]))
    (held,) = _by_socket(ran, "restarted")["S1"]
    assert "power_on_flag (power-on flag) was False and is True" in held.message
    whole = run_plan(steps, bench_data([new_device(0x29, 0x31)]))
    assert not _by_socket(whole, "restarted")


KEPT_BETWEEN = {
    "22h alarm": (0x22, "configure: {settings: {alarm_high_degc: 40}}", "alarm_low"),
    "10h alarm": (0x10, "configure: {settings: {alarm_high_degc: 40}}", "alarm_low"),
    "3Bh alarm": (0x3B, "configure: {settings: {alarm_high_degc: 40}}", "alarm_low"),
    "42h resolution": (
        0x42,
        "configure: {settings: {resolution_bits: 9}}",
        "alarm_low",
    ),
    "2Ch wiper": (
        0x2C,
        "configure: {settings: {position: 77}, hazard: [output-switching]}",
        "charge_pump",
    ),
    "3Ah output": (
        0x3A,
        "configure: {settings: {channel_a_output: on}, hazard: [output-switching, high-voltage-output]}",
        "channel_b_output_off",
    ),
    "12h output": (
        0x12,
        "configure: {settings: {channel_a_output: on}, hazard: [output-switching, high-voltage-output]}",
        "channel_b_output_off",
    ),
    "20h flags": (0x20, "check: {function: power_on_flags_clear}", "channel_a_voltage"),
    "19h speed": (0x19, "configure: {settings: {speed_khz: 100}}", "speed_khz"),
}
"""Family, the step that sets or clears, and a quantity that does not show it."""


@pytest.mark.parametrize("name", KEPT_BETWEEN)
def test_each_kind_is_looked_at_again(
    run_plan: Make, bench_data: Make, new_device: Make, name: str
) -> None:
    """A dip between two steps, neither of which asks: the second one's result waits."""
    code, setting, asked = KEPT_BETWEEN[name]
    steps = f"- enumerate: {{}}\n- {setting}\n- wait: {{for_s: 20}}\n- read: {{quantity: {asked}}}\n"
    dip = {"kind": "supply-dip", "at_s": 15, "for_s": 0.02, "to_v": 0.0}
    allow = frozenset(Hazard)
    ran = run_plan(
        steps, bench_data([new_device(code, 0x31)], faults=[dip]), allow=allow
    )
    (held,) = _by_socket(ran, "restarted")["S1"]
    assert held.outcome is Outcome.FAILED
    assert not held.measurements
    twin = run_plan(steps, bench_data([new_device(code, 0x31)]), allow=allow)
    assert twin.record.outcome is Outcome.PASSED
    assert not _by_socket(twin, "restarted")


@pytest.mark.parametrize("code", [0x2E, 0x30, 0x51])
def test_a_gauge_that_forgets_its_shadow_is_found(
    run_plan: Make, bench_data: Make, new_device: Make, code: int
) -> None:
    """Bytes written to the shadow and not copied are gone after a dip of the cell.

    Neither the reading before nor the one after asks for them.
    """
    steps = f"""\
- enumerate: {{}}
- transact: {{family: {code}, write: "6C 20 A5 5A", hazard: raw-write}}
- configure: {{settings: {{sense_mohm: 20}}}}
- read: {{quantity: voltage}}
- wait: {{for_s: 20}}
- read: {{quantity: temperature}}
"""
    dip = {"kind": "supply-dip", "at_s": 15, "for_s": 0.02, "to_v": 0.0}
    allow = frozenset(Hazard)
    ran = run_plan(
        steps, bench_data([new_device(code, 0x31)], faults=[dip]), allow=allow
    )
    (held,) = _by_socket(ran, "restarted")["S1"]
    assert held.outcome is Outcome.FAILED
    assert not held.measurements
    assert "shadow of 20h (volatile setting) was A5 5A" in held.message
    twin = run_plan(steps, bench_data([new_device(code, 0x31)]), allow=allow)
    assert twin.record.outcome is Outcome.PASSED
    assert not _by_socket(twin, "restarted")
