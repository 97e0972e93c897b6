"""A live page of a run: the report of what is in the journal so far.

Reads the journal only, so it can start late, stop early and never disturb the run.
Loopback unless told otherwise; the page renews itself without a script.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock
from typing import Any

from harness.errors import UsageError
from harness.results.html import Live, render
from harness.results.journal import Tail
from harness.results.record import Folding

REFRESH_S = 5
_KEPT_LINES = 20


class LiveReport:
    """The report of a growing journal; each call takes in what is new.

    Args:
        journal: the file; it must have begun.

    Raises:
        UsageError: it is no journal.
    """

    def __init__(self, journal: Path) -> None:
        self._tail = Tail(journal)
        self._folding = Folding()
        self._lock = Lock()
        self._done = False
        self._last: deque[str] = deque(maxlen=_KEPT_LINES)
        self._page = ""
        self._take()

    def _take(self) -> None:
        for event in self._tail.new_events():
            self._page = ""
            self._folding.add(event)
            self._done = self._done or event["event"] == "run_done"
            if line := _line_of(event):
                self._last.appendleft(line)

    @property
    def done(self) -> bool:
        """True once the run has ended."""
        return self._done

    def page(self) -> str:
        """The page as of now."""
        with self._lock:
            self._take()
            if not self._page:  # pictures take a second; nothing new, nothing drawn
                live = Live(refresh_s=REFRESH_S, lines=tuple(self._last))
                record = self._folding.record()
                self._page = render(record, None if self._done else live)
            return self._page


def _line_of(event: dict[str, Any]) -> str:
    """One event in words, empty for those that say nothing by themselves."""
    words = _WORDS.get(event["event"])
    if words is None:
        return str(event.get("text", "")) and f"{event.get('at', '')} {event['text']}"
    # an event may lack a field; a page for people never breaks over that
    return words.format_map(_Fields(event))


class _Fields(dict[str, Any]):
    """The fields of an event; one that is not there is empty."""

    def __init__(self, event: dict[str, Any]) -> None:
        count = len(event.get("readings") or event.get("spread") or {})
        super().__init__(event, count=count, whom=event.get("device") or "bus")

    def __missing__(self, key: str) -> str:
        return ""


_WORDS = {
    "step_started": "{at} step {step} {title} began",
    "step_done": "{at} step {step} {outcome}",
    "soak_progress": "{at} soak cycle {cycle}: {count} readings",
    "soak_error": "{at} {kind} {whom}: {message}",
    "soak_event": "{happened_at} {text}",
    "soak_stopped": "{at} {why}",
    "gap": "{at} gap: {reason}, {from_s} to {to_s} s",
    "run_resumed": "{at} the run was taken up again",
}


def _handler(report: LiveReport) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        """Answers every path with the page, and only reading is allowed."""

        server_version = "slotproof"
        sys_version = ""

        def do_GET(self) -> None:
            """The page."""
            body = report.page().encode("utf-8")
            self.send_response(HTTPStatus.OK)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", "no-store")
            self.send_header(
                "Content-Security-Policy",
                "default-src 'none'; style-src 'unsafe-inline'",
            )
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002, ANN401
            """Nothing: the terminal is the operator's."""

    return Handler


def make_server(journal: Path, *, host: str, port: int) -> ThreadingHTTPServer:
    """A server for the live page, listening and not yet serving.

    Args:
        journal: the run's journal.
        host: address to listen on.
        port: TCP port; 0 picks a free one.

    Raises:
        UsageError: no journal, or the address cannot be used.
    """
    report = LiveReport(journal)
    try:
        return ThreadingHTTPServer((host, port), _handler(report))
    except OSError as cause:
        raise UsageError(
            f"the page cannot be served there ({cause.strerror})",
            where=f"{host}:{port}",
            hint="take another port; 0 picks a free one",
        ) from cause


def serve(
    journal: Path, *, host: str, port: int, announce: Callable[[str], None]
) -> None:
    """Serve the live page until Ctrl-C; ``announce`` is told the address.

    Raises:
        UsageError: see ``make_server``.
    """
    with make_server(journal, host=host, port=port) as server:
        announce(f"http://{host}:{server.server_address[1]}/")
        server.serve_forever()
