"""Ports, thermometers, counter, clocks and converters on one bus, by one plan."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

HAZARDS = ("output-switching", "high-voltage-output", "clock-setting")

DEVICES: tuple[tuple[int, dict[str, Any]], ...] = (
    (0x3A, {"tied": {"a": "b"}}),
    (0x29, {"tied": {"0": "7"}}),
    (0x12, {"tied": {"a": "b"}}),
    (0x05, {}),
    (0x42, {"held_low": ["b"]}),
    (0x3B, {"variant": "thermocouple", "location": 3}),
    (0x1D, {"counts": {"a": 300}}),
    (0x24, {}),
    (0x27, {}),
    (0x20, {"input_v": {"a": 1.25, "b": 2.0}, "tied": {"c": "b"}}),
    (0x2C, {}),
)
WIRES = {0x3A: {"a": "b"}, 0x29: {"0": "7"}, 0x12: {"a": "b"}, 0x20: {"c": "b"}}

READS = (
    ("channel_a_level", {"wanted": 1}),
    ("channel_0_level", {"wanted": 1}),
    ("channel_a_output_off", {"wanted": 1}),
    ("temperature", {"low": 20, "high": 22}),
    ("location", {"wanted": 3}),
    ("input_a_count", {"wanted": 300}),
    ("channel_a_voltage", {"low": 1.24, "high": 1.26}),
    ("position", {"wanted": 0}),
    ("clock_offset", {"low": -2, "high": 2}),
)
CHECKS = (
    "leave_test_mode",
    "activity",
    "toggle",
    "chain",
    "level_samples",
    "counting",
    "power_on_flag_clear",
    "power_on_flags_clear",
    "wiper_ramp",
    "wiper_steps",
)


def check(function: str) -> dict[str, Any]:
    """A check step that names every hazard."""
    return {"check": {"function": function, "hazard": [*HAZARDS]}}


@pytest.mark.slow
def test_every_kind_on_one_bus(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """All are found, set up, read and checked, each beside ten others, and all pass.

    Nothing of this toggles the 05h but its own checks, which put it back.
    """
    devices = [
        new_device(family, 0x100 + n, **more)
        for n, (family, more) in enumerate(DEVICES)
    ]
    data = bench_data(devices)
    for socket, (family, _) in zip(data["sockets"], DEVICES, strict=True):
        socket["loop_backs"] = WIRES.get(family, {})
    off = {f"channel_{n}_output": "off" for n in range(8)}
    steps = [
        {"enumerate": {"count": len(DEVICES), "unique": True}},
        {"for_each": {"family": 0x29,
                      "steps": [{"configure": {"settings": off, "hazard": [*HAZARDS]}}]}},
        {"for_each": {"family": [0x24, 0x27], "steps": [check("clock_set")]}},
        {"convert": {}},
        *({"read": {"quantity": name, **limits}} for name, limits in READS),
        *(check(name) for name in CHECKS),
        {"for_each": {"family": [*WIRES], "steps": [check("loop_back")]}},
        {"for_each": {"family": [0x29, 0x12, 0x42, 0x20, 0x2C],
                      "steps": [check("conditional_search")]}},
        {"read": {"quantity": "channel_a_output_off", "wanted": 1}},
    ]  # fmt: skip
    ran = run_plan(steps, data, allow=frozenset(map(Hazard, HAZARDS)))
    wrong = [
        f"{result.shown.device}: {result.shown.message}"
        for _, result in ran.record.results
        if result.shown.outcome != "passed"
    ]
    assert wrong == []
    assert ran.code == 0
