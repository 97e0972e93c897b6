"""The HTML report: whole, safe, self-contained, and true to the journal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.record.run import RunRecord
from harness.results.reports.html import render
from harness.results.reports.rebuild import rebuild
from tests.page_reader import is_near, read


def events(
    message: str, *, title: str = "plan", hint: str = "look"
) -> list[dict[str, Any]]:
    """A short run with one failed check."""
    result = CheckResult(
        outcome=Outcome.FAILED,
        device=DeviceRef(rom_code="3D0000A4B3C2D128", family=0x28, socket="A1"),
        kind="limit",
        message=message,
        hint=hint,
        measurements=(Measurement(name="t", value=7.5, unit="degC", low=2, high=6),),
    )
    return [
        {"event": "run_started", "at": "2026-01-01T00:00:00.000Z", "t_s": 0, "format": 1,
         "run_id": "r", "plan": {"title": title}, "fixture": {"title": "bench"},
         "versions": {"slotproof": "0.1.0"}, "host": "h",
         "steps": [{"step": "1", "kind": "read", "title": "read t"}]},
        {"event": "step_started", "at": "2026-01-01T00:00:00.000Z", "t_s": 0, "step": "1",
         "kind": "read", "title": "read t", "expected_s": 1},
        {"event": "check_done", "at": "2026-01-01T00:00:01.000Z", "t_s": 1, "step": "1",
         "round": 1, "result": result.as_dict()},
        {"event": "step_done", "at": "2026-01-01T00:00:01.000Z", "t_s": 1, "step": "1",
         "outcome": "failed", "duration_s": 1},
        {"event": "run_done", "at": "2026-01-01T00:00:01.000Z", "t_s": 1,
         "outcome": "failed", "exit_code": 1, "interrupted": False},
    ]  # fmt: skip


def test_verdict_reason_hint_values_and_limits_are_there() -> None:
    """A manager finds the verdict, the numbers and what to look at first."""
    shown = read(render(RunRecord.from_events(events("too warm")))).shown
    for text in ("FAILED", "too warm", "Look first: look", "7.5", "degC", "2 .. 6",
                 "A1", "3D0000A4B3C2D128", "outside"):  # fmt: skip
        assert text in shown, text


def test_nothing_is_fetched_and_nothing_runs() -> None:
    """No script, no outside address, no form: the file is complete."""
    reader = read(render(RunRecord.from_events(events("x"))))
    assert not {"script", "link", "img", "iframe", "form"} & set(reader.tags)
    assert all(is_near(address) for address in reader.addresses)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(text=st.text(max_size=60))
def test_any_text_stays_text(text: str) -> None:
    """Whatever stands in titles, messages and hints never becomes markup."""
    hostile = f"</td><script>alert(1)</script>{text}<b>"
    page = render(RunRecord.from_events(events(hostile, title=hostile, hint=hostile)))
    plain = render(RunRecord.from_events(events("x", title="x", hint="x")))
    assert read(page).tags == read(plain).tags
    page.encode("utf-8")


@pytest.mark.slow
def test_written_with_pictures_by_rebuild(
    run_plan: Callable[..., Any],
    bench_data: Callable[..., dict[str, Any]],
    new_device: Callable[..., dict[str, Any]],
    tmp_path: Path,
) -> None:
    """The journal alone gives the report, pictures inside, twice the same bytes."""
    ran = run_plan(
        [{"measure": {"what": "devices"}}], bench_data([new_device(0x28, 1)])
    )
    pages = []
    for name in ("one", "two"):
        rebuild(ran.folder / "journal.jsonl", tmp_path / name)
        pages.append((tmp_path / name / "report.html").read_bytes())
    assert pages[0] == pages[1]
    reader = read(pages[0].decode())
    assert "svg" in reader.tags
    assert "What limits this bus" in reader.shown
    assert all(is_near(address) for address in reader.addresses)
