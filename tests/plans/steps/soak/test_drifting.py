"""A device that drifts against its neighbours fails by its own readings; nothing shared does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from harness.plans.schema.soak import Soak
from harness.plans.steps.soak import drifting
from harness.plans.steps.soak.drifting import allowed_drift, own_drifts
from harness.plans.steps.soak.live_traces import LiveTraces
from harness.records import Outcome
from harness.simulation.servers.clocks import VirtualClock
from tests.soak_nights import Values, night_of, rom_codes
from tests.sound_nights import SOUND_NIGHTS

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

SOAK = Soak.model_validate({"for_s": 28_800})
ROUNDS = 240
HOURS = np.arange(ROUNDS)[:, np.newaxis] / 30


def steady(seed: int, devices: int = 6) -> Values:
    """Devices that read as noisily as real ones, in steps of 1/16 K."""
    chance = np.random.default_rng(seed)
    levels = 20 + chance.uniform(0, 1, devices)
    return levels + 0.05 * chance.standard_normal((ROUNDS, devices))


def in_steps(values: Values, step: float = 0.0625) -> Values:
    return np.round(values / step) * step


def with_drift(values: Values, change: float, column: int = 2) -> Values:
    moved = values.copy()
    moved[:, column] += change * HOURS[:, 0] / HOURS[-1, 0]
    return moved


@pytest.mark.parametrize("change", [0.6, -1.5])
def test_the_one_that_drifts_is_named(change: float) -> None:
    """It alone, with the size of its drift, and as a fault."""
    found = own_drifts(SOAK, night_of(in_steps(with_drift(steady(1), change))))
    (drift,) = found.values()
    assert list(found) == [rom_codes(6)[2]]
    assert drift.change == pytest.approx(change, abs=0.05)
    assert drift.others == 5
    assert drift.is_fault


def test_a_drift_within_what_is_allowed_is_said_and_no_fault() -> None:
    """0.3 K is beyond chance and below twice the 0.2 K of the data sheet."""
    (drift,) = own_drifts(SOAK, night_of(with_drift(steady(2), 0.3))).values()
    assert not drift.is_fault


def test_the_plan_says_what_is_allowed() -> None:
    """Its own value comes first; a quantity that devices do not share has none."""
    plan = Soak.model_validate({"for_s": 28_800, "tolerate": {"drift": 1.0}})
    night = night_of(with_drift(steady(1), 0.8))
    assert not own_drifts(plan, night)[rom_codes(6)[2]].is_fault
    assert own_drifts(SOAK, night)[rom_codes(6)[2]].is_fault
    volts = Soak.model_validate({"for_s": 28_800, "quantity": "voltage"})
    assert allowed_drift(volts) is None
    assert not own_drifts(volts, night)


def test_with_two_nobody_is_named() -> None:
    """Which of two moves cannot be told."""
    assert not own_drifts(SOAK, night_of(with_drift(steady(3, devices=2), 2.0, 1)))


def test_without_the_statistics_nothing_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A lean station soaks all the same."""
    monkeypatch.setattr(drifting, "is_installed", lambda _: False)
    assert not own_drifts(SOAK, night_of(with_drift(steady(1), 2.0)))


@pytest.mark.parametrize("name", SOUND_NIGHTS)
def test_nothing_shared_is_a_drift(name: str) -> None:
    """Doors, ramps, daily waves, followed by each device in its own way and late."""
    for seed in range(3):
        readings = SOUND_NIGHTS[name](np.random.default_rng(seed))
        assert not own_drifts(SOAK, night_of(readings)), seed


def test_a_cut_soak_is_judged_whole() -> None:
    """Readings of before the cut and after it are one course."""
    readings = in_steps(with_drift(steady(4), 0.9))
    before = night_of(readings[:120])

    clock = VirtualClock()
    clock.sleep(90_000)
    noted: list[str] = []
    live = LiveTraces(lambda event, **_: noted.append(event), clock, step="1")
    live.go_on_from(before)
    for number, row in enumerate(readings[120:], start=121):
        clock.sleep(60)
        of_round = dict(zip(rom_codes(6), map(float, row), strict=True))
        live.note("soak_progress", cycle=number, counts={}, readings=of_round)
    assert len(noted) == 120
    (drift,) = own_drifts(SOAK, live.record).values()
    assert drift.is_fault
    assert len(before.devices[rom_codes(6)[2]].trace.bins) == 120


PLAN = "- soak: {cycles: 60, every_s: 240, family: 0x28}\n"


def _bench(bench_data: Make, new_device: Make, drift_degc_per_h: float) -> Any:  # noqa: ANN401
    devices = [
        new_device(0x28, serial, temperature_degc=20.0 + serial, noise_degc=0.03, **more)
        for serial, more in (
            (1, {}), (2, {"drift_degc_per_h": drift_degc_per_h}), (3, {}),
        )
    ]  # fmt: skip
    return bench_data(devices)


def test_the_verdict_of_the_device_says_it(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """In the run itself: the drifting one fails with its drift, the others pass."""
    ran = run_plan(PLAN, _bench(bench_data, new_device, 0.25))
    failed = ran.shown("1", "S2")
    assert (failed.outcome, failed.kind) == (Outcome.FAILED, "drift")
    assert "against its 2 neighbours" in failed.message
    assert "allowed 0.4 degC" in failed.message
    assert "change places with a neighbour" in failed.hint
    drift = next(m for m in failed.measurements if m.name == "temperature_drift")
    assert drift.value == pytest.approx(0.25 * 59 * 240 / 3600, abs=0.1)
    assert not drift.holds
    others = [ran.shown("1", socket).outcome for socket in ("S1", "S3")]
    assert others == [Outcome.PASSED] * 2


def test_the_healthy_twin_passes(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The same devices without the drift."""
    ran = run_plan(PLAN, _bench(bench_data, new_device, 0.0))
    assert ran.code == 0
    assert "drift" not in ran.shown("1", "S2").message
