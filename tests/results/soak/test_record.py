"""A soak from its events: sums, bounded memory, claims, bursts, drift, what errors follow."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from harness.results.soak import findings as soak_findings
from harness.results.soak import trace as soak_trace
from harness.results.soak.drift import chart, drift
from harness.results.soak.page import page_of
from harness.results.soak.record import SoakRecord, SoakRecords
from harness.results.soak.trace import ValueTrace

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
A, B = "3D0000A4B3C2D128", "620000A4B3C2E728"
Event = dict[str, Any]


def at(t_s: float) -> str:
    return (START + timedelta(seconds=t_s)).isoformat()


def stamped(event: str, t_s: float, **fields: Any) -> Event:  # noqa: ANN401 - any fact
    return {"event": event, "at": at(t_s), "t_s": t_s, **fields}


def night_of(
    *,
    rounds: int = 480,
    errors: Iterable[tuple[int, str]] = (),
    happened: Iterable[tuple[float, str]] = (),
    reading: Any = None,  # noqa: ANN401 - a function of round and device
) -> SoakRecord:
    """An invented night, a round a minute, with errors planted in given rounds."""
    struck = set(errors)
    nights = SoakRecords()
    nights.add(stamped("step_started", 0, step="2", kind="soak"))
    nights.add(
        stamped(
            "soak_started",
            0,
            quantity="temperature",
            unit="degC",
            devices=[
                {"rom_code": A, "family": 0x28, "socket": "A1"},
                {"rom_code": B, "family": 0x28, "socket": "A2"},
            ],
            outlook={"every_s": 60.0, "confidence": 0.95},
            events_within_s=60.0,
        )
    )
    for t_s, text in happened:
        nights.add(stamped("soak_event", 0, happened_at=at(t_s), text=text))
    for cycle in range(1, rounds + 1):
        t_s = 60.0 * (cycle - 1) + 1
        counts = {}
        for place in (A, B):
            if (cycle, place) in struck:
                nights.add(
                    stamped("soak_error", t_s, device=place, kind="check-value",
                            message="wrong", cycle=cycle)
                )  # fmt: skip
                counts[place] = {"failed": 1, "retries": 1, "error check-value": 1}
        readings = {p: reading(cycle, p) if reading else 4.0 for p in (A, B)}
        nights.add(
            stamped("soak_progress", t_s + 1, cycle=cycle, elapsed_s=60.0 * cycle,
                    readings=readings, counts=counts)
        )  # fmt: skip
    (night,) = nights.soaks
    return night


def test_trace_is_bounded_and_loses_nothing() -> None:
    """Ten thousand readings in at most 512 bins, with count, sum and extremes intact."""
    trace, chance = ValueTrace(), random.Random(1)
    values = [chance.gauss(4, 1) for _ in range(10_000)]
    for place, value in enumerate(values):
        trace.take(float(place), value)
    bins = trace.bins
    assert len(bins) <= soak_trace.MOST_BINS
    assert sum(b.count for b in bins) == 10_000
    assert math.fsum(b.total for b in bins) == pytest.approx(math.fsum(values))
    assert min(b.lowest for b in bins) == min(values)
    assert max(b.highest for b in bins) == max(values)
    times = [b.at_s for b in bins]
    assert times == sorted(times)


def test_claims_are_the_exact_bounds() -> None:
    """3 errors in 50 tries: 0.0125486 .. 0.165482 at 95 %.

    Source: Clopper-Pearson, NIST/SEMATECH e-Handbook 7.2.4.1; value recomputed
    independently.
    """
    # an error is a try of its own: 47 readings and 3 errors
    night = night_of(rounds=47, errors=[(5, A), (20, A), (40, A)])
    rows = {c.label: c for c in soak_findings.claims(night)}
    device = rows[f"A1 {A}"]
    assert (device.failed, device.asked) == (3, 50)
    assert device.low == pytest.approx(0.0125486, abs=5e-8)
    assert device.high == pytest.approx(0.165482, abs=5e-7)
    assert rows[f"A2 {B}"].at_most == pytest.approx(1 - 0.05 ** (1 / 47))


@pytest.mark.slow
def test_random_errors_are_not_called_bursts() -> None:
    """Errors drawn independently are called so in nearly every one of 200 nights."""
    bursty = 0
    for seed in range(200):
        chance = random.Random(seed)
        errors = [
            (c, p) for c in range(1, 481) for p in (A, B) if chance.random() < 0.02
        ]
        bursty += soak_findings.scatter(night_of(errors=errors)).bursty
    assert bursty <= 8  # 1 in 100 is what the test allows itself: 8 of 200 is p 0.001


def test_a_planted_burst_is_told_with_time_and_device() -> None:
    """Twelve errors of one device in a row: a burst, when, whom, and one event."""
    night = night_of(errors=[(c, B) for c in range(200, 212)])
    found = soak_findings.scatter(night)
    assert found.bursty
    assert len(found.events) == 1
    page = page_of(night)
    ((when, what, _),) = page.moments
    assert "2026-03-01 23:19:01 UTC" in when
    assert what == f"burst of 12 errors: A2 {B}"
    text = " ".join(page.summary)
    assert f"errors favour A2 {B}: 12 of 12" in text
    assert "too tight" in text


def test_few_errors_decide_nothing() -> None:
    """Four errors are too few to tell a burst, and each is told by itself."""
    night = night_of(errors=[(c, A) for c in range(200, 204)])
    assert "too few" in soak_findings.scatter(night).text
    assert len(page_of(night).moments) == 4


def test_errors_that_follow_a_relay() -> None:
    """Errors planted after a relay are found to follow it, and not to follow the door."""
    relay = [(60.0 * c, "relay on") for c in range(30, 480, 45)]
    door = [(60.0 * c, "door") for c in range(17, 480, 45)]
    errors = [
        (int(t_s / 60) + 1, A if n % 2 else B) for n, (t_s, _) in enumerate(relay)
    ]
    night = night_of(errors=errors, happened=[*relay, *door])
    lines = soak_findings.followers(night, soak_findings.scatter(night).events)
    assert len(lines) == 2
    (yes,) = [text for text in lines if "errors FOLLOW" in text]
    assert "'relay on' (10 times): 10 of 10" in yes
    assert "no sign that errors follow 'door'" in " ".join(lines)
    assert "favour no device" in soak_findings.whom(night)


def test_errors_of_one_hour() -> None:
    """Errors that crowd between 02:00 and 03:00 UTC are told so; elsewhere none are."""
    errors = [(c, A) for c in range(361, 420, 5)]  # 20:00 and six hours
    night = night_of(errors=errors)
    lines = soak_findings.hours(night, soak_findings.scatter(night).events)
    assert lines.startswith("errors favour a time of day: 02:00 to 03:00 UTC: 12 of 12")
    spread = night_of(errors=[(c, A) for c in range(3, 480, 30)])
    events = soak_findings.scatter(spread).events
    assert soak_findings.hours(spread, events) == ""


def test_planted_drift_is_measured() -> None:
    """0.1 degC an hour in noise of 0.05: found, measured within its interval, and apart."""
    chance = random.Random(3)

    def reading(cycle: int, place: str) -> float:
        return 4 + chance.gauss(0, 0.05) + (cycle / 600 if place == B else 0)

    night = night_of(reading=reading)
    moved, still = drift(night.devices[B].trace), drift(night.devices[A].trace)
    assert moved is not None
    assert still is not None
    assert moved.is_sure
    assert not still.is_sure
    assert abs(moved.per_h - 0.1) < moved.half_width < 0.01
    assert moved.change == pytest.approx(0.8, abs=0.03)
    assert "+0.8" in " ".join(page_of(night).devices[1])


def test_drift_agrees_with_an_independent_fit() -> None:
    """The slope is that of scipy's own regression; for independent noise so is, nearly, its interval.

    The interval allows for serial correlation that is estimated, and knows its scatter
    from eight waves: Student's t(8) at 0.995 is 1.3 times that of 198 degrees, and the
    scatter itself has a standard error of 1/4.
    """
    from scipy import stats

    chance, trace = random.Random(9), ValueTrace()
    for n in range(200):
        trace.take(600.0 * n, 20 + 0.01 * n + chance.gauss(0, 0.3))
    found = drift(trace)
    assert found is not None
    hours = [b.at_s / 3600 for b in trace.bins]
    fit = stats.linregress(hours, [b.mean for b in trace.bins])
    assert found.per_h == pytest.approx(fit.slope, rel=1e-9)
    t = stats.t.ppf(0.995, 8)
    assert found.half_width == pytest.approx(t * fit.stderr, rel=0.5)


def test_a_margin_that_creeps_is_told() -> None:
    """Hourly rise times that grow are shown with first, last, limits and drift."""
    night = night_of(rounds=10)
    for hour in range(9):
        night.add(
            stamped("soak_margin", 3600.0 * hour, device=None, name="rise_time",
                    value=0.4 + 0.1 * hour + 0.001 * (hour % 2), unit="us", high=3.9)
        )  # fmt: skip
    ((whom, name, first, last, limits, moved),) = page_of(night).margins
    assert (whom, name, first, last) == ("line", "rise_time, us", "0.4", "1.2")
    assert limits == "at most 3.9"
    assert moved == "+0.8 in all"


def test_a_margin_that_is_only_bounded_is_no_course() -> None:
    """Bounds are printed as such, and no drift is made of rungs that moved."""
    night = night_of(rounds=10)
    for hour in range(9):
        night.add(
            stamped("soak_margin", 3600.0 * hour, device=None, name="rise_time",
                    value=0.718 + 0.1 * hour, unit="us", high=3.9, bound="at most")
        )  # fmt: skip
    ((_, _, first, last, _, moved),) = page_of(night).margins
    assert (first, last) == ("at most 0.718", "at most 1.52")
    assert moved.startswith("bounds only")


def test_chart_limits_and_first_signal() -> None:
    """Limits come from the first 25 points and stay; a step of 6 sigma signals at once."""
    chance = random.Random(4)
    night = night_of(
        reading=lambda cycle, _: chance.gauss(4.3 if cycle > 300 else 4, 0.05)
    )
    found = chart(night.devices[A].trace)
    assert found is not None
    assert found.limits.sigma == pytest.approx(0.05, rel=0.3)
    assert any(place == 300 and "3 sigma" in rule for place, rule in found.out)
    assert chart(night_of(rounds=20).devices[A].trace) is None
    assert chart(night_of().devices[A].trace) is None  # readings that never differ


def test_coarse_readings_do_not_signal_by_sides() -> None:
    """Readings of three whole steps are judged by the first rule alone, and it says so."""
    chance = random.Random(5)
    night = night_of(
        reading=lambda *_: round(chance.gauss(4.01, 0.03) / 0.0625) * 0.0625
    )
    found = chart(night.devices[A].trace)
    assert found is not None
    assert "only rule 1" in found.rules
    assert found.points_out < 5


def test_adapter_errors_are_left_out() -> None:
    """What the adapter spoilt is no error of the bus and follows nothing."""
    nights = SoakRecords()
    nights.add(stamped("step_started", 0, step="1", kind="soak"))
    nights.add(stamped("soak_error", 5, device=A, kind="no-echo", blame="adapter", cycle=1))  # fmt: skip
    nights.add(stamped("soak_progress", 6, cycle=1, readings={}))
    (night,) = nights.soaks
    assert soak_findings.errors_of(night) == []
    assert list(soak_findings.claims(night)) == []
    assert "no error of line or devices" in page_of(night).summary


def test_errors_are_kept_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of very many single errors the first are kept, all are counted, and it says so."""
    monkeypatch.setattr("harness.results.soak.record.KEPT_MARKS", 10)
    night = night_of(errors=[(c, A) for c in range(1, 31)])
    assert (len(night.marks), night.single_errors) == (10, 30)
    assert "of 30 single errors the first 10 are looked at" in " ".join(
        page_of(night).summary
    )


def test_events_stand_on_the_page_without_an_error() -> None:
    """What the event file says is shown, errors or not; with errors each with its own."""
    quiet = page_of(night_of(happened=[(600.0, "door opened"), (1200.0, "door shut")]))
    assert [(what, after) for _, what, after in quiet.moments] == [
        ("event: door opened", "none"),
        ("event: door shut", "none"),
    ]
    assert "2026-03-01 20:10:00 UTC" in quiet.moments[0][0]
    text = " ".join(quiet.summary)
    assert "'door opened' happened once, and no error came at all" in text
    struck = page_of(night_of(happened=[(599.0, "relay on")], errors=[(11, A)]))
    (_, relay, counted), (_, error, _) = struck.moments
    assert (relay, counted) == ("event: relay on", "1 within 60 s")
    assert f"A1 {A}" in error
