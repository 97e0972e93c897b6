"""Steps about devices: read, configure, convert, and for_each around them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""


def test_read_within_limits(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """A reading within its limits passes and keeps value, unit, limits and block."""
    data = bench_data([new_device(0x28, 5, temperature_degc=4.25)])
    ran = run_plan("- read: {quantity: temperature, low: 2, high: 6}", data)
    result = ran.shown("1", "S1")
    (value,) = result.measurements
    assert ran.code == 0
    assert (value.name, value.value, value.unit) == ("temperature", 4.25, "degC")
    assert (value.low, value.high) == (2, 6)
    assert result.evidence["block"].startswith("44 00")


@pytest.mark.parametrize(
    ("degc", "words"), [(1.0, "below the low limit 2"), (9.0, "above the high limit 6")]
)
def test_read_outside_limits(
    run_plan: Make, bench_data: Make, new_device: Make, degc: float, words: str
) -> None:
    """A reading outside fails with the value, the limit that it missed, and a hint."""
    data = bench_data([new_device(0x28, 5, temperature_degc=degc)])
    ran = run_plan("- read: {quantity: temperature, low: 2, high: 6}", data)
    result = ran.shown("1", "S1")
    assert (ran.code, result.outcome, result.kind) == (1, Outcome.FAILED, "limit")
    assert f"temperature is {degc:g} degC, {words} degC" in result.message
    assert result.hint


def test_average_keeps_each_reading(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """An average of noisy readings shows them all."""
    data = bench_data([new_device(0x28, 5, temperature_degc=20.0, noise_degc=0.3)])
    ran = run_plan("- read: {quantity: temperature, average: 4}", data)
    result = ran.shown("1", "S1")
    readings = result.evidence["readings"]
    assert len(readings) == 4
    assert len(set(readings)) > 1
    assert result.measurements[0].value == sum(readings) / 4


def test_wanted_text(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """A device on the data line fails where external supply is wanted."""
    data = bench_data([new_device(0x28, 5, supply="parasite"), new_device(0x28, 6)])
    ran = run_plan("- read: {quantity: power_supply, wanted: external}", data)
    assert ran.shown("1", "S1").message == "power_supply is parasite, wanted external"
    assert ran.shown("1", "S2").outcome is Outcome.PASSED


def test_read_takes_only_devices_that_can(run_plan: Make, three: Make) -> None:
    """Devices that lack the quantity are left out, without a failure."""
    ran = run_plan("- read: {quantity: temperature}", three())
    assert ran.code == 0
    assert [r.device.socket for r in ran.step("1").results] == ["S1", "S2"]


def test_nobody_can(run_plan: Make, bench_data: Make, new_device: Make) -> None:
    """Without any device that has the quantity the step is skipped, with the reason."""
    ran = run_plan(
        "- for_each: {steps: [{read: {quantity: rom_code}}]}\n"
        "- convert: {}\n"
        "- soak: {cycles: 1, quantity: serial_number, family: 0x10}",
        bench_data([new_device(0x01, 7)]),
    )
    skipped = [ran.shown(step) for step in ("2", "3")]
    assert ran.code == 0
    assert all(s.outcome is Outcome.SKIPPED for s in skipped)
    assert all(s.kind == "no-device" and s.message for s in skipped)


def test_common_conversion_then_rereads(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """After one convert each device gives its own temperature without another."""
    devices = [new_device(0x28, n, temperature_degc=n / 2) for n in range(1, 5)]
    ran = run_plan(
        [
            {"convert": {}},
            {"read": {"quantity": "temperature", "fresh": False}},
        ],
        bench_data(devices),
    )
    got = [ran.shown("2", f"S{n}").measurements[0].value for n in range(1, 5)]
    assert got == [0.5, 1.0, 1.5, 2.0]
    assert ran.step("2").duration_s < 0.2


def test_configure_reads_back(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Settings are read back with unit and wanted value, and shorten the conversion."""
    ran = run_plan(
        "- configure: {settings: {resolution_bits: 9, alarm_low_degc: -5}}\n"
        "- read: {quantity: resolution, low: 9, high: 9}\n"
        "- read: {quantity: conversion_time, high: 93.75}",
        bench_data([new_device(0x28, 5)]),
    )
    assert ran.code == 0
    low = next(
        m for m in ran.shown("1", "S1").measurements if m.name == "alarm_low_degc"
    )
    assert (low.value, low.wanted, low.unit) == (-5, -5, "degC")


def test_configure_skips_what_has_no_such_setting(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A family without the setting is skipped by name, the others are configured."""
    data = bench_data([new_device(0x28, 5), new_device(0x10, 6)])
    ran = run_plan("- configure: {settings: {resolution_bits: 10}}", data)
    skipped = ran.shown("1", "S2")
    assert ran.code == 0
    assert (skipped.outcome, skipped.kind) == (Outcome.SKIPPED, "no-setting")
    assert "resolution_bits" in skipped.message


def test_stored_settings_outlive_a_power_cycle(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """With store: true settings come back after the supply was off, without they do not."""
    data = bench_data([new_device(0x28, 5, resolution_bits=12)])
    data["power"] = {"supply_on": "rts"}
    steps = """
- configure: {{settings: {{resolution_bits: 9}}, store: {store}}}
- switch: {{supply: "off", settle_s: 1}}
- switch: {{supply: "on", settle_s: 1}}
- read: {{quantity: resolution}}
"""
    for store, bits in (("true", 9), ("false", 12)):
        ran = run_plan(steps.format(store=store), data)
        assert ran.shown("4", "S1").measurements[0].value == bits


def test_for_each_chooses(run_plan: Make, three: Make) -> None:
    """for_each takes the devices of a family, or of sockets, one after the other."""
    by_family = "- for_each: {family: 0x28, steps: [{read: {quantity: rom_code}}]}"
    by_socket = "- for_each: {sockets: [S3], steps: [{read: {quantity: rom_code}}]}"
    ran = run_plan(f"{by_family}\n{by_socket}", three())
    assert [r.device.socket for r in ran.step("1.1").results] == ["S1", "S2"]
    assert [r.device.socket for r in ran.step("2.1").results] == ["S3"]
    assert ran.shown("2.1", "S3").measurements[0].value == str(RomCode.build(1, 7))


def test_for_each_goes_device_by_device(run_plan: Make, three: Make) -> None:
    """All steps inside run on one device before the next one's turn."""
    ran = run_plan(
        "- for_each: {family: 0x28, steps: "
        "[{read: {quantity: rom_code}}, {read: {quantity: serial_number}}]}",
        three(),
    )
    order = [
        (e["step"], e["device"][:2]) for e in ran.events if e["event"] == "step_started"
    ]
    assert order == [("1.1", "S1"), ("1.2", "S1"), ("1.1", "S2"), ("1.2", "S2")]


def test_for_each_without_a_device_fails(run_plan: Make, three: Make) -> None:
    """An empty choice fails each step inside instead of passing unseen."""
    ran = run_plan(
        "- for_each: {family: 0x10, steps: "
        "[{read: {quantity: temperature}}, {read: {quantity: alarm_low}}]}",
        three(),
    )
    assert ran.code == 1
    assert [ran.shown(s).kind for s in ("1.1", "1.2")] == ["no-device"] * 2


def test_missing_enumerate_is_made_up_for(run_plan: Make, three: Make) -> None:
    """Without an enumerate step the bus is searched before the first read, and noted."""
    ran = run_plan("- read: {quantity: rom_code}", three())
    notes = [e["text"] for e in ran.events if e["event"] == "note"]
    assert any("searching the bus first" in text for text in notes)
    assert ran.code == 0


def test_retries_of_a_limit_stay_visible(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A device that never meets its limit is tried as often as allowed, all tries kept."""
    data = bench_data([new_device(0x28, 5, temperature_degc=30.0)])
    ran = run_plan("- read: {quantity: temperature, high: 10, retries: 2}", data)
    (result,) = ran.step("1").results
    assert result.tries == 3
    assert [a.kind for a in result.attempts] == ["limit", "limit"]


def test_what_the_device_cannot_tell_is_an_error(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Asking a parasite-fed device when its conversion ends is the plan's mistake."""
    data = bench_data(
        [new_device(0x28, 5, supply="parasite")], line={"pull_up_ohm": 1000}
    )
    ran = run_plan("- read: {quantity: conversion_time}", data)
    assert ran.code == 3
    assert ran.shown("1", "S1").kind == "usage"


@pytest.mark.parametrize("shows_degc", [25.0, 28.5])
def test_what_a_clone_shows_after_power_up_is_no_reading(
    run_plan: Make, bench_data: Make, new_device: Make, shows_degc: float
) -> None:
    """Plausible and not 85: without a conversion of this run it is not published."""
    clone = new_device(
        0x28,
        5,
        silicon="clone",
        frozen_power_answer=False,
        conversion_ms=519,
        temperature_degc=30.5,
        power_on_degc=shows_degc,
    )
    ran = run_plan("- read: {quantity: temperature, fresh: false}", bench_data([clone]))
    result = ran.shown("1", "S1")
    assert result.measurements[0].value == 30.5
    assert any("one was made for this step" in note for note in result.notes)
