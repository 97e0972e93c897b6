"""A night rehearsed on the bench, and the page that is there in the morning."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.results.reports.html import render
from harness.results.reports.rebuild import rebuild
from harness.results.reports.watch import LiveReport
from tests.page_reader import read

Make = Callable[..., Any]


@pytest.fixture
def night(run_plan: Make, bench_data: Make, new_device: Make, tmp_path: Path) -> Any:  # noqa: ANN401
    """Four hours: a relay that disturbs, a probe that drifts, an adapter that goes."""
    happened = tmp_path / "relay.csv"
    lines = [f"{600 * k + 595},relay <b>on" for k in range(24)]
    happened.write_text("time,text\n" + "\n".join(lines), encoding="utf-8")
    devices = [
        new_device(0x28, 5, temperature_degc=20.0, drift_degc_per_h=0.5),
        new_device(0x28, 6, temperature_degc=20.0),
        new_device(0x28, 7, temperature_degc=20.0),
    ]
    faults = [
        {"kind": "bit-flips", "probability": 0.03, "at_s": 600, "for_s": 5, "every_s": 600},
        {"kind": "adapter-unplugged", "at_s": 7950, "for_s": 120},
    ]  # fmt: skip
    soak = {
        "for_s": 14_400, "every_s": 60, "retries": 3, "events": str(happened),
        "tolerate": {"lost_readings": 20},
    }  # fmt: skip
    return run_plan([{"soak": soak}], bench_data(devices, faults=faults))


@pytest.mark.slow
def test_the_morning_page(night: Any, tmp_path: Path) -> None:  # noqa: ANN401
    """What happened, when, to whom and what may be claimed stand in the report."""
    rebuild(night.folder / "journal.jsonl", tmp_path / "out")
    page = read((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    shown = page.shown
    assert "demonstrated at 95 % confidence" in shown
    assert "errors FOLLOW 'relay <b>on'" in shown
    assert "b" in page.tags  # the verdict's own
    assert "adapter away" in shown
    assert "UTC, after 2 h 13 min" in shown
    assert "unlike the others" in shown
    assert "240 readings of each device" in shown
    assert {p.name for p in (tmp_path / "out").glob("soak-*")} >= {
        "soak-1.png", "soak-1.svg", "soak-chart-1.png",
    }  # fmt: skip


@pytest.mark.slow
def test_live_page_shows_the_same(night: Any, tmp_path: Path) -> None:  # noqa: ANN401
    """Half a journal already gives the page of the half night; nothing new, no new page."""
    lines = (night.folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b"".join(lines[:150]))
    live = LiveReport(path)
    page = live.page()
    assert "What is demonstrated" in page
    assert "RUNNING" in page
    assert live.page() is page
    with path.open("ab") as stream:
        stream.writelines(lines[150:])
    whole = live.page()
    assert whole == render(night.record)
