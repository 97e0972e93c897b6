"""Screening of thermometers by signs, each reported with its strength."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.records import Outcome

Make = Callable[..., dict[str, Any]]
STEP = [{"check": {"function": "data_sheet_conformance"}}]


def signs_of(result: Any) -> dict[str, bool]:  # noqa: ANN401
    return {s["name"]: s["agrees"] for s in result.shown.evidence["signs"]}


@pytest.mark.parametrize("family", [0x28, 0x22])
def test_genuine_behaviour_passes_and_is_left_as_found(
    run_plan: Callable[..., Any], bench_data: Make, new_device: Make, family: int
) -> None:
    """Every sign agrees, and resolution and alarm limits come back."""
    device = new_device(family, 0xA4B3C2D1, resolution_bits=10, alarm_high_degc=30)
    steps = [
        *STEP,
        {"read": {"quantity": "resolution", "low": 10, "high": 10}},
        {"read": {"quantity": "alarm_high", "low": 30, "high": 30}},
    ]
    ran = run_plan(
        [{"for_each": {"family": family, "steps": steps}}], bench_data([device])
    )
    assert ran.code == 0, ran.record
    assert all(signs_of(ran.step("1.1").results[0]).values())


def test_clone_is_told_by_what_it_does(
    run_plan: Callable[..., Any], bench_data: Make, new_device: Make
) -> None:
    """Fixed resolution, a quick conversion, byte 6 and the serial number disagree.

    Published notes on clone thermometers (C. Petrich, 2020 and 2024); a verdict in terms of the sheet, no accusation.
    """
    clone = new_device(
        0x28, 0x051771_2C64FF & (2**48 - 1), silicon="clone", conversion_ms=30
    )
    ran = run_plan([{"for_each": {"family": 0x28, "steps": STEP}}], bench_data([clone]))
    (result,) = ran.step("1.1").results
    assert result.outcome is Outcome.FAILED
    assert "behaves_as_sheet is no: " in result.shown.message
    assert "fake" not in result.shown.message
    signs = signs_of(result)
    assert not signs["resolutions_taken"]
    assert not signs["serial_pattern"]
    assert not signs["conversion_time_12_bit"]
    assert not signs["byte_6_after_conversion"]
    assert signs["alarm_search"]


def test_a_weak_sign_alone_is_forgiven_unless_told(
    run_plan: Callable[..., Any], bench_data: Make, new_device: Make
) -> None:
    """An unusual serial number alone fails nothing by default; it stays visible."""
    odd = bench_data([new_device(0x28, 0x010000A4B3C2)])
    ran = run_plan([{"for_each": {"family": 0x28, "steps": STEP}}], odd)
    assert ran.code == 0
    assert not signs_of(ran.step("1.1").results[0])["serial_pattern"]
    strict = [
        {
            "check": {
                "function": "data_sheet_conformance",
                "with": {"forgive_weak": False},
            }
        }
    ]
    ran = run_plan([{"for_each": {"family": 0x28, "steps": strict}}], odd)
    assert ran.code == 1
    assert "serial_pattern (weak)" in ran.step("1.1").results[0].shown.message
