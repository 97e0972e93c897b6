"""How often the statistics of a soak find what is not there, and what they find, as tables.

Nights are simulated at the level of the journal's records: 480 rounds, one a minute. Each
share is printed with the number of nights and its exact 95 % interval. Run with
``pytest -m benchmark tests/benchmarks/test_soak_numbers.py -s``.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from harness.plans.schema.soak import Soak
from harness.plans.steps.soak.drifting import own_drifts
from harness.quality.trend import trend
from harness.results.soak import findings as soak_findings
from harness.results.soak.drift import chart
from harness.results.soak.shared import courses
from harness.results.soak.trace import ValueTrace
from tests.benchmark_size import chance as chance_of
from tests.benchmark_size import say, wanted
from tests.soak_nights import Values, ar1, interval, night_of, sound_errors
from tests.sound_nights import SOUND_NIGHTS, noise, wave

pytestmark = pytest.mark.benchmark

NIGHTS = wanted("NIGHTS", 1000)
BENCH_NIGHTS = NIGHTS // 5
TRACES = NIGHTS * 2 // 5
PHIS = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95)
HOURS = np.arange(480) / 60


@pytest.mark.parametrize("gap_h", [0, 8])
def test_errors_that_are_independent(gap_h: int) -> None:
    """Bursts, favoured devices, hours and followers where there are none; nominal 1 %."""
    found: Counter[str] = Counter()
    chance = chance_of(31, gap_h)
    for night, _ in sound_errors(chance, NIGHTS, gap_s=3600.0 * gap_h):
        scatter = soak_findings.scatter(night)
        found["in bursts"] += scatter.bursty
        found["favour a device"] += "errors favour S" in soak_findings.whom(night)
        found["favour an hour"] += bool(soak_findings.hours(night, scatter.events))
        told = soak_findings.followers(night, scatter.events)
        found["FOLLOW an event"] += any("FOLLOW" in text for text in told)
    say(f"\nindependent errors, cut of {gap_h} h, {NIGHTS} nights, nominal 1 %")
    for what in ("in bursts", "favour a device", "favour an hour", "FOLLOW an event"):
        say(f"  {what:<18}{interval(found[what], NIGHTS)}")
        assert found[what] <= 0.02 * NIGHTS


@pytest.mark.parametrize("length", [120, 480])
def test_drift_of_correlated_readings(length: int) -> None:
    """Drift found in AR(1) nights without one, and power against true drifts."""
    changes = (0.5, 1, 2, 4, 8)
    hours = np.arange(length) / 60
    say(f"\ndrift in AR(1) nights of {length} points, {NIGHTS} nights, level 1 %")
    say(f"{'phi':>6}  {'none: found in':<24}found, by true change in deviations")
    say(f"{'':>32}" + "".join(f"{change:>8g}" for change in changes))
    for phi in PHIS:
        chance = chance_of(32, length, round(100 * phi))
        false, power = 0, Counter[float]()
        for number in range(NIGHTS):
            values = ar1(chance, length=length, phi=phi)
            false += _is_found(hours, values)
            for change in changes if number % 5 == 0 else ():
                power[change] += _is_found(hours, values + change * hours / hours[-1])
        shares = "".join(f"{power[c] / (NIGHTS / 5):>8.2f}" for c in changes)
        say(f"{phi:>6g}  {interval(false, NIGHTS):<24}{shares}")
        assert false <= 0.05 * NIGHTS


def _is_found(hours: Values, values: Values) -> bool:
    found = trend(hours, values)
    return found is not None and found.p <= 0.01


def _wave(chance: np.random.Generator) -> Values:
    return 3 * np.sin(2 * np.pi * (HOURS / 24 + chance.random()))[:, np.newaxis]


def _columns(chance: np.random.Generator, phi: float = 0.0) -> Values:
    return np.column_stack([ar1(chance, length=480, phi=phi) for _ in range(6)])


def _sound_bench(name: str, chance: np.random.Generator) -> Values:
    if name == "independent wander, phi 0.9":
        return 20 + 0.1 * _columns(chance, 0.9)
    if name == "shared daily wave of 3 K":
        return 20 + _wave(chance) + 0.05 * _columns(chance)
    if name == "the same in steps of 1/16 K":
        return np.round((20 + _wave(chance) + 0.05 * _columns(chance)) * 16) / 16
    if name == "shared wave, wander 0.8":
        return 20 + _wave(chance) + 0.05 * _columns(chance, 0.8)
    late_h, gain = chance.uniform(0, 0.5, 6), chance.uniform(0.8, 1.2, 6)
    turns = (HOURS[:, np.newaxis] - late_h) / 24 + chance.random()
    return 20 + 3 * gain * np.sin(2 * np.pi * turns) + 0.05 * _columns(chance)


def test_devices_that_share_a_night() -> None:
    """Six devices without a drift: devices called drifting, and told to share a movement."""
    nights = BENCH_NIGHTS
    say(f"\nsix devices, no drift, {nights} nights each, level 1 % a night")
    say(f"{'':<30}{'a device drifts':<24}{'chart out of control':<24}shared told")
    for name in (
        "independent wander, phi 0.9", "shared daily wave of 3 K",
        "the same in steps of 1/16 K", "shared wave, wander 0.8",
        "gain 0.8 to 1.2, 0 to 30 min late",
    ):  # fmt: skip
        chance = chance_of(77)
        drifting = charts = shared = 0
        for _ in range(nights):
            found = courses(night_of(_sound_bench(name, chance)))
            rows = found.by_key.values()
            drifting += any(c.drift and c.drift.is_sure and not c.follows for c in rows)
            charts += any(c.chart and c.chart.is_out_of_control for c in rows)
            shared += bool(found.shared and found.shared.is_sure)
        say(
            f"{name:<30.29}{interval(drifting, nights):<24}"
            f"{interval(charts, nights):<24}{interval(shared, nights)}"
        )
        assert drifting <= 0.05 * nights


def test_verdicts_of_drifts_against_the_neighbours() -> None:
    """Healthy nights of which the verdict says a drift (1 in 1,000), and its power."""
    nights, body = NIGHTS, Soak.model_validate({"for_s": 28_800})
    say(
        f"\ndrift in the verdict, six devices, {nights} nights each, level 0.1 % a night"
    )
    for name, night in SOUND_NIGHTS.items():
        chance = chance_of(78)
        said = sum(
            bool(own_drifts(body, night_of(night(chance)))) for _ in range(nights)
        )
        say(f"{name:<36}said {interval(said, nights)}")
        # three standard errors above one in a thousand
        assert said <= 0.001 * nights + 3 * (0.001 * nights) ** 0.5
    for name, span in (("steady", 0.0), ("shared wave, span about 1 K", 0.2), ("about 5 K", 1.0)):  # fmt: skip
        chance = chance_of(79)
        shares = []
        for change in (0.5, 0.7, 1.0, 2.0):
            found = 0
            for _ in range(nights // 5):
                readings = 20 + span * wave(chance) + 0.05 * noise(chance, 0.5)
                readings[:, 2] += change * HOURS / HOURS[-1]
                drifts = own_drifts(body, night_of(np.round(readings * 16) / 16))
                found += [d.is_fault for d in drifts.values()] == [True]
            shares.append(f"{change:g} K {found / (nights // 5):.2f}")
        say(f"{name:<36}the one alone fails: {', '.join(shares)}")


@pytest.mark.parametrize("length", [60, 120, 480])
def test_charts_that_do_not_change(length: int) -> None:
    """Sound traces called out of control, and the power against a step half-way."""
    nights = TRACES
    half = np.arange(length) >= length // 2
    say(f"\ncontrol charts of {length} points, {nights} traces, level 1 %")
    say(f"{'phi':>6}{'step':>6}  {'sound: any signal':<24}{'out of control':<24}3 sigma step found")  # fmt: skip
    for phi in PHIS:
        for step in (0.0, 1.0):
            chance = chance_of(5, length, round(100 * phi), round(step))
            signals = false = power = 0
            for number in range(nights):
                values = ar1(chance, length=length, phi=phi)
                found = chart(_trace(values, step))
                assert found is not None
                signals += found.points_out > 0
                false += found.is_out_of_control
                if number % 4 == 0:
                    moved = chart(_trace(values + 3 * half, step))
                    power += moved is not None and moved.is_out_of_control
            say(
                f"{phi:>6g}{step:>6g}  {interval(signals, nights):<24}"
                f"{interval(false, nights):<24}{power / (nights / 4):.2f}"
            )
            # at most 5 %, within what so many traces can tell
            assert false <= 0.05 * nights + 3 * (0.05 * 0.95 * nights) ** 0.5


def _trace(values: Values, step: float) -> ValueTrace:
    trace = ValueTrace()
    rounded = np.round(values / step) * step if step else values
    for number, value in enumerate(rounded.tolist()):
        trace.take(60.0 * number, value)
    return trace
