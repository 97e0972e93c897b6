"""A supply that an instrument gives: what causes and thresholds make of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.diagnosis.causes.supply import fed_outside, with_supply
from harness.diagnosis.evidence.bus import DeviceFacts, Evidence
from harness.diagnosis.evidence.expected import Expected
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.rise import device_share, slower_by
from harness.diagnosis.signs.line import pull_up_rise_us
from harness.instruments import marker
from harness.records import Outcome

PROBE = DeviceFacts(rom_code="050000000000A528", socket="S1", family=0x28)
FED = Evidence(expected=Expected(supply_v=2.7, built_for_v=5.0), devices=(PROBE,))


def test_rises_in_time_constants() -> None:
    """ln(4.8 / 3.5) and ln(4.8 / 2.8) at 5 V; at 3 V ln(2.8 / 1.5) and ln(2.8 / 0.8)."""
    assert device_share(5.0) == pytest.approx(0.539 / 0.316, abs=0.002)
    assert device_share(3.0) == pytest.approx(1.2528 / 0.6242, abs=0.001)
    assert slower_by(3.0) == pytest.approx(0.6242 / 0.3159, abs=0.001)
    assert slower_by(5.0) == 1.0
    assert 1 < device_share(2.0) < 3


def test_a_low_supply_rises_slower_without_a_weak_pull_up() -> None:
    """What no cable makes is longer at 3 V than at 5 V."""
    assert pull_up_rise_us(Evidence()) == 30.0
    assert pull_up_rise_us(FED) > 60.0


def test_a_supply_outside_of_the_range_is_a_warning() -> None:
    """It explains, and is no fault; nothing of it where the fixture's own supply is on."""
    (found,) = fed_outside(FED)
    assert (found.cause, found.severity) == (Cause.SUPPLY, FindingSeverity.WARNING)
    assert "2.7 V lies outside 3 to 5.5 V" in found.measured[0]
    within = replace(FED, expected=Expected(supply_v=3.3, built_for_v=5.0))
    declared = replace(FED, expected=Expected(supply_v=2.7))
    assert [*fed_outside(within), *fed_outside(declared)] == []


def test_findings_on_supply_name_what_is_in_force() -> None:
    """The reader of a restart learns what fed the line; other causes stay as they are."""
    finding = Finding(
        cause=Cause.SUPPLY, kind="restart", summary="x", measured=("y",), try_first="z"
    )
    assert (
        "2.7 V, set by an instrument (built for 5 V)"
        in with_supply(finding, FED).measured[-1]
    )
    other = replace(finding, cause=Cause.DEVICE)
    assert with_supply(other, FED) == other
    assert with_supply(finding, Evidence()) == finding


def test_an_examination_under_a_supply(
    run_plan: Any,  # noqa: ANN401
    bench_data: Any,  # noqa: ANN401
    new_device: Any,  # noqa: ANN401
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At 2.8 V a sound device is found sound, with a warning on what feeds it."""
    monkeypatch.setenv(marker.STATE_VARIABLE, str(tmp_path))
    data = bench_data([new_device(0x28, 5, conversion_min_v=2.5)])
    data["adapter"]["bears_v"] = 5.5
    data["instruments"] = [
        {
            "name": "PSU", "kind": "supply", "library": "simulated", "resource": "PSU",
            "identity": "INVENTED", "limits": {"voltage_v": [0, 5.5]},
            "start": {"voltage_v": 5.0, "output": True}, "rest": {"output": False},
        }
    ]  # fmt: skip
    data["simulation"]["instruments"] = [{"kind": "supply", "resource": "PSU"}]
    steps = (
        "- adjust: {instrument: PSU, to: {voltage_v: 2.8}, outside_range: judge}\n"
        "- diagnose: {listen_s: 0.5, slots: 200, rounds: 1, alone: 1}\n"
    )
    shown = run_plan(steps, data).shown("2")
    findings = str(shown.evidence)
    assert shown.outcome is Outcome.PASSED
    assert "supply in force: 2.8 V, set by an instrument" in findings
    assert "2.8 V lies outside 3 to 5.5 V" in findings
