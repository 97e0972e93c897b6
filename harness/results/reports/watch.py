"""A live page of a run: the report of what is in the journal so far.

Reads the journal only, so it can start late, stop early and never disturb the run.
Loopback unless another is given; the page renews itself without a script.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Any

from harness.errors import UsageError
from harness.results.journal.reader import JournalUnreadable
from harness.results.journal.writer import Tail
from harness.results.reasons import reason_words
from harness.results.record.run import Folding, not_as_written
from harness.results.reports.html import Live, render
from harness.results.reports.rebuild import cannot_be_shown
from harness.results.reports.watch_server import make_server
from harness.results.soak.events import ERROR_LINE, GAP, HAPPENING, PROGRESS, STOPPED
from harness.results.soak.record import BUS

REFRESH_S = 5
_KEPT_LINES = 20


class LiveReport:
    """The report of a growing journal; each call takes in what is new.

    Args:
        journal: the file; it must have begun.

    Raises:
        UsageError: it is no journal, or a damaged one.
    """

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._fault: UsageError | None = None
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
            try:
                self._folding.add(event)
                line = _line_of(event)
            except Exception as exc:
                raise not_as_written(exc, event) from exc
            self._done = self._done or event["event"] == "run_done"
            if line:
                self._last.appendleft(line)

    @property
    def done(self) -> bool:
        """True once the run has ended."""
        return self._done

    def page(self) -> str:
        """The current page.

        Raises:
            UsageError: the journal is gone; or damaged, which stays so.
        """
        with self._lock:
            if self._fault is None:
                try:
                    self._renew()
                except JournalUnreadable:
                    raise  # deleted, or its disk is away
                except UsageError as fault:
                    self._fault = fault
            if self._fault is not None:
                raise self._fault
            return self._page

    def _renew(self) -> None:
        self._take()
        if self._page:  # pictures take a second; nothing new, nothing drawn
            return
        live = Live(refresh_s=REFRESH_S, lines=tuple(self._last))
        try:
            record = self._folding.record()
            self._page = render(record, None if self._done else live)
        except Exception as exc:
            raise cannot_be_shown(self._journal, exc) from exc


def _line_of(event: dict[str, Any]) -> str:
    """One event in words, empty for those that say nothing by themselves."""
    at = str(event.get("at", ""))
    if of_soak := _OF_SOAK.get(event["event"]):
        return of_soak(event, at)
    words = _WORDS.get(event["event"])
    if words is None:
        return str(event.get("text", "")) and f"{at} {event['text']}"
    # an event may lack a field; a page for people never breaks over that
    return words.format_map(_Fields(event))


class _Fields(dict[str, Any]):
    """The fields of an event; one that is not there is empty."""

    def __missing__(self, key: str) -> str:
        return ""


_WORDS = {
    "step_started": "{at} step {step} {title} began",
    "step_done": "{at} step {step} {outcome}",
    "run_resumed": "{at} the run was taken up again",
}


def _progress_line(event: dict[str, Any], at: str) -> str:
    done = PROGRESS.read(event)
    devices = len(done.readings or done.spread or {})
    return f"{at} soak cycle {done.cycle}: {devices} readings"


def _error_line(event: dict[str, Any], at: str) -> str:
    error = ERROR_LINE.read(event)
    return f"{at} {reason_words(error.kind)}, {error.device or BUS}: {error.message}"


def _happening_line(event: dict[str, Any], _at: str) -> str:
    line = HAPPENING.read(event)
    return f"{line.happened_at} {line.text}"


def _stop_line(event: dict[str, Any], at: str) -> str:
    return f"{at} {STOPPED.read(event).why}"


def _gap_line(event: dict[str, Any], at: str) -> str:
    gap = GAP.read(event)
    return f"{at} gap: {gap.reason}, {gap.from_s} to {gap.to_s} s"


_OF_SOAK = {
    PROGRESS.name: _progress_line,
    ERROR_LINE.name: _error_line,
    HAPPENING.name: _happening_line,
    STOPPED.name: _stop_line,
    GAP.name: _gap_line,
}
"""An event of a soak and its time, as one line."""


def serve(
    journal: Path, *, host: str, port: int, announce: Callable[[str], None]
) -> None:
    """Serve the live page until the process is ended; ``announce`` is called with the address.

    Raises:
        UsageError: no journal, a damaged one, or the address cannot be used.
    """
    report = LiveReport(journal)
    report.page()  # a journal that cannot be shown is reported here, not in a browser
    with make_server(report, host=host, port=port) as server:
        announce(server.url)
        server.serve_forever()
