"""What the devices of a night share, and what one does by itself."""

from __future__ import annotations

import numpy as np
import pytest

from harness.results.soak import findings as soak_findings
from harness.results.soak.page import page_of
from harness.results.soak.shared import Courses, courses
from tests.soak_nights import Values, ar1, night_of, sound_errors

HOURS = np.arange(480) / 60


def day(amplitude: float, *, late_h: float = 0.0, at_h: float = 0.0) -> Values:
    """A daily wave of temperature over a night."""
    return amplitude * np.sin(2 * np.pi * (HOURS - late_h + at_h) / 24)


def noise(seed: int, count: int, *, phi: float = 0.0) -> Values:
    chance = np.random.default_rng(seed)
    return np.column_stack([ar1(chance, length=480, phi=phi) for _ in range(count)])


def drifting(found: Courses) -> list[str]:
    return [
        place
        for place, course in found.by_key.items()
        if course.drift is not None and course.drift.is_sure and not course.follows
    ]


def test_a_daily_wave_is_told_once() -> None:
    """Five nights of a shared wave, rounded or not: no device drifts, none is out of control."""
    for seed in range(5):
        readings = 20 + day(3, at_h=5.0 * seed)[:, np.newaxis] + 0.05 * noise(seed, 6)
        if seed % 2:
            readings = np.round(readings * 16) / 16
        night = night_of(readings)
        found = courses(night)
        assert found.shared is not None
        assert found.shared.is_sure
        assert not drifting(found)
        charts = [c.chart for c in found.by_key.values()]
        assert not any(chart.is_out_of_control for chart in charts if chart)
        told = [s for s in page_of(night).summary if "all devices share" in s]
        assert len(told) == 1


def test_devices_that_follow_later_or_less_do_not_drift() -> None:
    """Another place on the bench follows the room otherwise: that is no drift."""
    chance = np.random.default_rng(4)
    columns = [
        day(3 * chance.uniform(0.8, 1.2), late_h=chance.uniform(0, 0.5))
        for _ in range(6)
    ]
    found = courses(night_of(20 + np.column_stack(columns) + 0.05 * noise(9, 6)))
    assert not drifting(found)
    assert any(course.follows for course in found.by_key.values())


def test_the_one_that_drifts_is_named() -> None:
    """One of three drifts by two degrees beside a daily wave: that one, and no other."""
    readings = 20 + day(3)[:, np.newaxis] + 0.05 * noise(6, 3)
    readings[:, 1] += 2 * HOURS / 8
    night = night_of(readings)
    (place,) = drifting(courses(night))
    assert place == list(night.devices)[1]
    page = page_of(night)
    assert "unlike the others" in page.devices[1][8]
    assert page.devices[0][8] == "none"
    assert any(s.startswith("drift: S2 ") for s in page.summary)


def test_independent_wander_is_not_shared() -> None:
    """Devices that wander each by itself share nothing and do not drift."""
    for seed in range(4):
        found = courses(night_of(20 + 0.1 * noise(seed, 4, phi=0.9)))
        assert found.shared is not None
        assert not found.shared.is_sure
        assert not drifting(found)


def test_a_jump_during_a_cut_is_no_drift() -> None:
    """What happened between the cut and the next run was not watched."""
    readings = 20 + 0.05 * noise(3, 1)
    readings[240:] += 3
    night = night_of(readings, cut_after=240, gap_s=8 * 3600)
    assert not drifting(courses(night))
    assert drifting(courses(night_of(readings + 0.5 * HOURS[:, np.newaxis])))


@pytest.mark.slow
@pytest.mark.parametrize("gap_h", [0, 8])
def test_independent_errors_are_called_so(gap_h: int) -> None:
    """20 seeded nights with and without a cut of eight hours; the benchmark has 1,000.

    Nominal 1 %: more than 2 of 20 has a chance of 1e-3 (binomial).
    """
    called = dict.fromkeys(("bursts", "device", "hour", "event"), 0)
    for night, _ in sound_errors(np.random.default_rng(12), 20, gap_s=3600.0 * gap_h):
        scatter = soak_findings.scatter(night)
        called["bursts"] += scatter.bursty
        called["device"] += "errors favour S" in soak_findings.whom(night)
        called["hour"] += bool(soak_findings.hours(night, scatter.events))
        told = soak_findings.followers(night, scatter.events)
        called["event"] += any("FOLLOW" in text for text in told)
    assert max(called.values()) <= 2, called


def test_errors_of_a_cut_round_do_not_count() -> None:
    """A round that was cut is done again: its errors before the cut are in no test."""
    night = night_of(np.full((10, 1), 20.0))
    night.add({"event": "soak_error", "at": "2026-03-01T20:10:00Z", "t_s": 600.0,
               "device": None, "kind": "check-value", "cycle": 11})  # fmt: skip
    assert len(soak_findings.errors_of(night)) == 1
    night.take_pause({"t_s": 30_000.0, "gap_s": 29_000.0})
    assert soak_findings.errors_of(night) == []
