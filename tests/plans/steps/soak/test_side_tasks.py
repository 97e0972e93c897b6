"""Beside the readings: events from a file, timing margins, and bounded lines."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from harness.plans.schema.soak import Soak
from harness.plans.steps.soak import lines as soak_lines
from harness.plans.steps.soak import step as soak_step
from harness.plans.steps.soak.estimate import Outlook, outlook
from harness.plans.steps.soak.events import EventFile
from harness.results.soak.events import SoakCount

Make = Callable[..., Any]
START = datetime(2024, 1, 1, tzinfo=UTC)


@pytest.fixture
def one(bench_data: Make, new_device: Make) -> Make:
    """Make fixture data of one thermometer."""
    return lambda **more: bench_data([new_device(0x28, 5)], **more)


def events(ran: Any, name: str) -> list[dict[str, Any]]:  # noqa: ANN401
    return [e for e in ran.events if e["event"] == name]


def test_times_of_the_event_file(tmp_path: Path) -> None:
    """ISO times with or without an offset, and seconds from the soak's start."""
    path = tmp_path / "events.csv"
    path.write_text(
        "time,text\n"
        "# the invented cold-store's door\n"
        "2024-01-01T01:30:00Z,door opened\n"
        '2024-01-01T03:30:00+02:00,"relay 1, on"\n'
        "2024-01-01 01:31:00,door shut\n"
        "90.5,compressor\n",
        encoding="utf-8",
    )
    found, wrong = EventFile(path, START).new()
    assert not wrong
    assert [(e.at, e.text) for e in found] == [
        (START + timedelta(minutes=90), "door opened"),
        (START + timedelta(minutes=90), "relay 1, on"),
        (START + timedelta(minutes=91), "door shut"),
        (START + timedelta(seconds=90.5), "compressor"),
    ]


@pytest.mark.parametrize(
    ("line", "complaint"),
    [("yesterday,x", "'yesterday' is no time"), ("12", "not of the form"),
     ("12,", "not of the form"), ("nan,x", "no time"), ("1e300,x", "no time"),
     ("\x00\xff,x", "no time")],
)  # fmt: skip
def test_lines_that_are_no_event(tmp_path: Path, line: str, complaint: str) -> None:
    """A bad line is told with its number, and the next one is taken."""
    path = tmp_path / "events.csv"
    path.write_text(f"time,text\n{line}\n5,good\n", encoding="utf-8")
    found, wrong = EventFile(path, START).new()
    assert [e.text for e in found] == ["good"]
    assert len(wrong) == 1
    assert wrong[0].startswith("line 2: ")
    assert complaint in wrong[0]


def test_the_file_may_come_late_and_grow(tmp_path: Path) -> None:
    """Half a line waits for its end; at the very end it counts as it is."""
    path = tmp_path / "events.csv"
    file = EventFile(path, START)
    assert file.new() == ([], [])
    path.write_text("1,one\n2,tw", encoding="utf-8")
    assert [e.text for e in file.new()[0]] == ["one"]
    with path.open("a", encoding="utf-8") as stream:
        stream.write("o\n3,three")
    assert [e.text for e in file.new()[0]] == ["two"]
    assert [e.text for e in file.new(last=True)[0]] == ["three"]


def test_events_are_in_the_journal(run_plan: Make, one: Make, tmp_path: Path) -> None:
    """Events of the plan's file, with their own times, and a complaint about the rest."""
    path = tmp_path / "relay.csv"
    path.write_text("30,relay on\noops\n90,relay <b>off\n", encoding="utf-8")
    ran = run_plan([{"soak": {"cycles": 5, "every_s": 30, "events": str(path)}}], one())
    on, off = events(ran, "soak_event")
    assert (on["text"], off["text"]) == ("relay on", "relay <b>off")
    start = datetime.fromisoformat(events(ran, "soak_started")[0]["at"])
    assert datetime.fromisoformat(on["happened_at"]) - start == pytest.approx(
        timedelta(seconds=30), abs=timedelta(seconds=1)
    )
    assert any("line 2" in e["text"] for e in events(ran, "note"))


@pytest.mark.slow
def test_margins_are_measured_between_rounds(run_plan: Make, one: Make) -> None:
    """Every hour the line's rise and each device's times, with limits and uncertainty."""
    ran = run_plan(
        [{"soak": {"for_s": 7200, "every_s": 600, "margins_every_s": 3600}}], one()
    )
    assert ran.code == 0
    got = [(e["device"], e["name"]) for e in events(ran, "soak_margin")]
    device = "F500000000000528"
    once = [(None, "rise_time"), (device, "sample_instant"), (device, "read_0_hold")]
    assert got == once * 2
    hold = events(ran, "soak_margin")[2]
    assert (hold["low"], hold["high"], hold["unit"]) == (15, 60, "us")
    assert hold["low"] < hold["value"] < hold["high"]


@pytest.mark.slow
def test_rounds_share_lines_and_nothing_is_lost(run_plan: Make, one: Make) -> None:
    """Where room is short a line tells of several rounds; the sums are the same."""
    fault = {"kind": "device-absent", "at_s": 100, "for_s": 60}
    steps = [{"soak": {"cycles": 1300, "every_s": 1, "journal_mb": 1,
                       "tolerate": {"lost_readings": 1000}}}]  # fmt: skip
    ran = run_plan(steps, one(faults=[fault]))
    lines = events(ran, "soak_progress")
    assert len(lines) == 650
    assert sum(e.get("rounds", 1) for e in lines) == 1300
    read = sum(s[0] for e in lines for s in e.get("spread", {}).values())
    read += sum(len(e.get("readings", {})) for e in lines)
    night = ran.record.soaks[0]
    shown = {m.name: m.value for m in ran.shown("1", "S1").measurements}
    assert read == shown["readings"] == night.sum_of(SoakCount.READINGS)
    assert night.sum_of(SoakCount.LOST) == shown["lost_readings"] > 0


@pytest.mark.slow
def test_disk_use_is_bounded_in_a_storm_of_errors(run_plan: Make, one: Make) -> None:
    """Errors in every round fill their room and no more; all of them are counted."""
    fault = {"kind": "device-absent", "at_s": 5}
    steps = [{"soak": {"cycles": 2500, "every_s": 1, "journal_mb": 1, "retries": 1,
                       "tolerate": {"lost_readings": 10000}}}]  # fmt: skip
    ran = run_plan(steps, one(faults=[fault]))
    size = sum(
        len(json.dumps(e, separators=(",", ":"))) + 1
        for e in ran.events
        if e["event"].startswith("soak_")
    )
    assert size < 1_000_000
    night = ran.record.soaks[0]
    assert len(events(ran, "soak_error")) < night.sum_of(SoakCount.FAILED)
    assert night.sum_of(SoakCount.FAILED) == 2 * night.sum_of(SoakCount.LOST) > 4900
    (note,) = [e for e in events(ran, "note") if "used up" in e["text"]]
    assert "counted" in note["text"]


@pytest.mark.slow
def test_a_flapping_adapter_fills_its_room_and_no_more(
    run_plan: Make, one: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Gaps beyond the room share a line with their number and time; none is forgotten."""
    monkeypatch.setattr(soak_lines, "side_room_bytes", lambda _body: 800)

    def five_rounds_a_line(body: Soak, devices: int | None = None) -> Outlook:
        return replace(outlook(body, devices), rounds_per_line=5)

    monkeypatch.setattr(soak_step, "outlook", five_rounds_a_line)
    fault = {"kind": "adapter-unplugged", "at_s": 5, "for_s": 2, "every_s": 11}
    ran = run_plan([{"soak": {"cycles": 60, "every_s": 10}}], one(faults=[fault]))
    gaps = events(ran, "gap")
    shared = [e for e in gaps if e.get("times", 1) > 1]
    assert shared
    assert all(e["away_s"] < e["to_s"] - e["from_s"] for e in shared)
    size = sum(len(json.dumps(e)) for e in gaps if "times" not in e)
    assert size < 800
    shown = {m.name: m.value for m in ran.shown("1").measurements}
    assert (
        shown["adapter_gaps"] == sum(e.get("times", 1) for e in gaps) == ran.record.gaps
    )
    (night,) = ran.record.soaks
    assert night.gap_count == ran.record.gaps > len(gaps)
    for known_s in (night.gap_s, ran.record.gap_s):
        assert known_s == pytest.approx(shown["adapter_away"], abs=0.1)
    assert any("times" in span.text for span in night.gaps)
