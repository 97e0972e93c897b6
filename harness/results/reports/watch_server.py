"""The server of the live page: one page, to read only, for few at a time.

Rule 1: only a request that names this machine is answered. A page of another site that
makes its own name point here (DNS rebinding) still sends that name as ``Host``.
Rule 2: so many connections at once and no more, each for so long and no longer.
Rule 3: nothing that a browser does ends up on the operator's terminal.
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from contextlib import suppress
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Protocol

from harness.clock import SystemClock
from harness.errors import UsageError
from harness.results.reports.page import fill

MOST_CONNECTIONS = 16
"""A browser opens six to a host (common practice, no source); two may watch."""

LONGEST_S = 30.0
"""A connection is closed after so long, whatever it waits for; a page takes seconds."""

SILENCE_S = 5.0
"""A connection that says nothing for so long is closed."""

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
}


class Report(Protocol):
    """What is served."""

    def page(self) -> str:
        """The current page, HTML.

        Raises:
            UsageError: it cannot be made.
        """
        ...


class _Handler(BaseHTTPRequestHandler):
    """Answers with the page; only reading is allowed."""

    server: PageServer  # type: ignore[mutable-override]
    server_version = "slotproof"
    sys_version = ""
    timeout = SILENCE_S  # type: ignore[mutable-override]

    def do_GET(self) -> None:
        """The page."""
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        """Its headers."""
        self._answer(with_body=False)

    def _answer(self, *, with_body: bool) -> None:
        status, text = self._page()
        body = text.encode("utf-8")
        self.send_response(status)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        self.end_headers()
        if with_body:
            self.wfile.write(body)

    def _page(self) -> tuple[HTTPStatus, str]:
        named = self.headers.get_all("Host") or []
        if len(named) != 1 or not self.server.is_named(named[0]):
            return HTTPStatus.MISDIRECTED_REQUEST, _page_of(
                "this page is served to its own address only"
            )
        if self.path.partition("?")[0] != "/":
            return HTTPStatus.NOT_FOUND, _page_of("there is one page here: /")
        try:
            return HTTPStatus.OK, self.server.report.page()
        except UsageError as fault:
            return HTTPStatus.SERVICE_UNAVAILABLE, _page_of(str(fault))

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002, ANN401
        """Nothing: the terminal is the operator's."""


def _page_of(sentence: str) -> str:
    """A page of one sentence."""
    return fill("sentence.html.j2", sentence=sentence)


class PageServer(ThreadingHTTPServer):
    """Serves a report, listening and not yet serving.

    Args:
        report: what to serve.
        host: address to listen on.
        port: TCP port; 0 picks a free one.
        clock: what ages of connections are measured with, seconds.

    Raises:
        OSError: the address cannot be used.
    """

    daemon_threads = True

    def __init__(
        self, report: Report, host: str, port: int, *, clock: SystemClock | None = None
    ) -> None:
        self.report = report
        self._host = host
        self._clock = clock or SystemClock()
        self._lock = threading.Lock()
        self._since: dict[socket.socket, float] = {}
        if ":" in host:
            self.address_family = socket.AF_INET6
        super().__init__((host, port), _Handler)

    @property
    def url(self) -> str:
        """Where the page is."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{self.server_address[1]}/"

    def server_bind(self) -> None:
        """Bind without asking a name server who we are."""
        socket.socket.bind(self.socket, (self._host, self.server_address[1]))
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = self._host, self.server_address[1]

    def is_named(self, host: str) -> bool:
        """True if a ``Host`` header names this machine, whatever the port.

        An address needs no look-up, so no name server can point it elsewhere.
        """
        name = host.strip().lower()
        if name.startswith("["):
            name = name[1:].partition("]")[0]
        elif name.count(":") == 1:
            name = name.partition(":")[0]
        name = name.rstrip(".")
        with suppress(ValueError):
            return bool(ipaddress.ip_address(name))
        own = socket.gethostname().lower()
        return name in {"localhost", self._host.lower(), own}

    def process_request(self, request: Any, client_address: Any) -> None:  # noqa: ANN401
        """Take a connection on, or close it if there are too many."""
        with self._lock:
            is_full = len(self._since) >= MOST_CONNECTIONS
            if not is_full:
                self._since[request] = self._clock.now_s()
        if is_full:
            with suppress(OSError):
                request.sendall(b"HTTP/1.0 503 Too many connections\r\n\r\n")
            super().shutdown_request(request)
            return
        super().process_request(request, client_address)

    def service_actions(self) -> None:
        """Twice a second: close what has been open for too long."""
        now_s = self._clock.now_s()
        with self._lock:
            old = [s for s, at_s in self._since.items() if now_s - at_s > LONGEST_S]
        for connection in old:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def shutdown_request(self, request: Any) -> None:  # noqa: ANN401
        """A connection has ended."""
        with self._lock:
            self._since.pop(request, None)
        super().shutdown_request(request)

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ANN401
        """A browser that closed its tab is no error, and not worth a message."""


def make_server(report: Report, *, host: str, port: int) -> PageServer:
    """A server for a live page, listening and not yet serving.

    Args:
        report: what to serve.
        host: address to listen on.
        port: TCP port; 0 picks a free one.

    Raises:
        UsageError: the address cannot be used.
    """
    try:
        return PageServer(report, host, port)
    except OSError as cause:
        raise UsageError(
            f"the page cannot be served there ({cause.strerror})",
            where=f"{host}:{port}",
            hint="take another port; 0 picks a free one",
        ) from cause
