"""The live page: what is in the journal so far, over HTTP on the loopback."""

from __future__ import annotations

import json
import threading
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from harness.errors import UsageError
from harness.results.watch import LiveReport, make_server

START = {
    "event": "run_started", "at": "2026-01-01T00:00:00.000Z", "t_s": 0, "format": 1,
    "run_id": "r", "plan": {"title": "night <b>"}, "fixture": {"title": "bench"},
    "steps": [{"step": "1", "kind": "soak", "title": "soak"}],
}  # fmt: skip
BEGUN = {"event": "step_started", "at": "2026-01-01T00:00:01.000Z", "t_s": 1, "step": "1",
         "kind": "soak", "title": "soak", "expected_s": 1}  # fmt: skip
CYCLE = {"event": "soak_progress", "at": "2026-01-01T00:01:00.000Z", "t_s": 60, "cycle": 1,
         "readings": {"A": 4.0}}  # fmt: skip
DONE = [
    {"event": "step_done", "at": "2026-01-01T00:02:00.000Z", "t_s": 120, "step": "1",
     "outcome": "passed", "duration_s": 119},
    {"event": "run_done", "at": "2026-01-01T00:02:00.000Z", "t_s": 120, "outcome": "passed",
     "exit_code": 0, "interrupted": False},
]  # fmt: skip


def write(path: Path, *events: dict[str, Any], cut: str = "") -> None:
    with path.open("a", encoding="utf-8") as stream:
        stream.writelines(json.dumps(event) + "\n" for event in events)
        stream.write(cut)


def test_page_grows_with_the_journal(tmp_path: Path) -> None:
    """RUNNING while it runs, the verdict once it is done; half a line waits."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN, CYCLE, cut='{"event": "soak_pro')
    report = LiveReport(path)
    page = report.page()
    assert "RUNNING" in page
    assert "soak cycle 1: 1 readings" in page
    assert 'http-equiv="refresh"' in page
    assert "power cut" not in page  # nobody says that it was interrupted
    done_before = report.done
    write(path, cut='gress", "cycle": 2, "readings": {}}\n')
    write(path, *DONE)
    page = report.page()
    assert (done_before, report.done) == (False, True)
    assert "RUNNING" not in page
    assert "PASSED" in page
    assert 'http-equiv="refresh"' not in page


def test_served_on_the_loopback(tmp_path: Path) -> None:
    """A browser gets the page, escaped, with no permission to fetch anything."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)
    server = make_server(path, host="127.0.0.1", port=0)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        address = urlsplit(f"http://127.0.0.1:{server.server_address[1]}/")
        connection = HTTPConnection(address.hostname or "", address.port, timeout=10)
        connection.request("GET", "/")
        answer = connection.getresponse()
        body = answer.read().decode()
        connection.close()
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert answer.status == 200
    assert "night &lt;b&gt;" in body
    assert answer.getheader("Content-Security-Policy") == (
        "default-src 'none'; style-src 'unsafe-inline'"
    )


def test_no_journal_yet(tmp_path: Path) -> None:
    """An absent or empty file is told in words."""
    with pytest.raises(UsageError, match="cannot be read"):
        LiveReport(tmp_path / "none.jsonl")
    empty = tmp_path / "journal.jsonl"
    empty.touch()
    with pytest.raises(UsageError, match="not begun"):
        LiveReport(empty)
