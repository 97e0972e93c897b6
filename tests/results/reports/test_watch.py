"""The live page: what is in the journal so far, over HTTP on the loopback."""

from __future__ import annotations

import json
import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from harness.clock import SystemClock
from harness.errors import UsageError
from harness.results.reports.watch import LiveReport
from harness.results.reports.watch_server import (
    LONGEST_S,
    MOST_CONNECTIONS,
    PageServer,
    make_server,
)

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


@contextmanager
def serving(path: Path, *, host: str = "127.0.0.1") -> Iterator[PageServer]:
    """The live page of a journal, served in a thread."""
    server = make_server(LiveReport(path), host=host, port=0)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def place_of(server: PageServer) -> tuple[str, int]:
    """Host and port."""
    return "127.0.0.1", int(server.server_address[1])


def ask(server: PageServer, **headers: str) -> tuple[int, str, HTTPResponse]:
    """One request; status, body, and the whole answer."""
    address = urlsplit(server.url)
    connection = HTTPConnection(address.hostname or "", address.port, timeout=10)
    connection.request("GET", "/", headers=headers)
    answer = connection.getresponse()
    body = answer.read().decode()
    connection.close()
    return answer.status, body, answer


def test_served_on_the_loopback(tmp_path: Path) -> None:
    """A browser gets the page, escaped, with no permission to fetch anything."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)
    with serving(path) as server:
        status, body, answer = ask(server)
    assert status == 200
    assert "night &lt;b&gt;" in body
    assert answer.getheader("Content-Security-Policy") == (
        "default-src 'none'; style-src 'unsafe-inline'"
    )


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("localhost:8080", 200),
        ("[::1]:80", 200),
        ("192.168.7.9", 200),
        ("rebound.example", 421),
        ("127.0.0.1.rebound.example:80", 421),
        ("", 421),
    ],
)
def test_only_its_own_address_is_served(tmp_path: Path, host: str, status: int) -> None:
    """A name of another site that points here (DNS rebinding) gets nothing.

    Source of the status: RFC 9110, 15.5.20 (Misdirected Request).
    """
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)
    with serving(path) as server:
        got, body, _ = ask(server, Host=host)
    assert got == status
    assert ("night" in body) == (status == 200)


def test_closed_tabs_and_deleted_journals_are_quiet(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A reset connection says nothing on the terminal; a deleted journal is told."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)
    with serving(path) as server:
        for sent in (b"", b"GET / HT", b"GET / HTTP/1.0\r\nHost: localhost\r\n\r\n"):
            tab = socket.create_connection(place_of(server))
            reset = struct.pack("ii", 1, 0)
            tab.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, reset)
            tab.sendall(sent)
            tab.close()
        path.unlink()
        status, body, _ = ask(server)
        assert status == 503
        assert "cannot be read" in body
        write(path, START, BEGUN)
        assert ask(server)[0] == 200
    assert capfd.readouterr() == ("", "")


def test_a_journal_that_is_damaged_while_it_is_watched(tmp_path: Path) -> None:
    """The page names file and line, again and again; the server goes on."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)
    with serving(path) as server:
        write(path, {**CYCLE, "readings": 7})
        for _ in range(2):
            status, body, _ = ask(server)
            assert status == 503
            assert f"{path}:3" in body


def test_connections_are_limited_and_timed(tmp_path: Path) -> None:
    """Beyond the limit a connection is turned away; an old one is closed."""
    path = tmp_path / "journal.jsonl"
    write(path, START, BEGUN)

    class Clock(SystemClock):
        late_s = 0.0

        def now_s(self) -> float:
            return super().now_s() + self.late_s

    clock = Clock()
    server = PageServer(LiveReport(path), "127.0.0.1", 0, clock=clock)
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    with ExitStack() as tabs:
        for _ in range(MOST_CONNECTIONS):
            tabs.enter_context(socket.create_connection(place_of(server)))
        one_more = tabs.enter_context(socket.create_connection(place_of(server)))
        one_more.settimeout(10)
        assert one_more.recv(100).startswith(b"HTTP/1.0 503")
        clock.late_s = LONGEST_S + 1
        while ask_or_none(server) != 200:
            pass
    server.shutdown()
    thread.join()
    server.server_close()


def ask_or_none(server: PageServer) -> int | None:
    """Status of a request; None if it was turned away on the way."""
    try:
        return ask(server)[0]
    except OSError:
        return None


def test_no_journal_yet(tmp_path: Path) -> None:
    """An absent or empty file is told in words."""
    with pytest.raises(UsageError, match="cannot be read"):
        LiveReport(tmp_path / "none.jsonl")
    empty = tmp_path / "journal.jsonl"
    empty.touch()
    with pytest.raises(UsageError, match="not begun"):
        LiveReport(empty)
