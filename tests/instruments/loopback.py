"""An instrument on a loopback TCP socket, whose faults a test chooses.

The driver reaches it through the real library; nothing here knows the driver.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

Answer = str | None
"""What is sent back; None for nothing at all."""


@dataclass
class LoopbackSupply:
    """A supply in SCPI words, as few as the driver needs.

    Attributes:
        identity: answer to ``*IDN?``.
        settings: set-points by header.
        errors: its queue.
        heard: every line that came, of all connections.
        intercept: sees each line first; what it returns but ``...`` is the answer.
        tripped: whether a protection has tripped.
        offset_v: how far the output measures off its set-point.
    """

    identity: str = "INVENTED,LOOPBACK,1,0"
    settings: dict[str, str] = field(
        default_factory=lambda: {"VOLT": "0", "CURR": "0.1", "OUTP": "0"}
    )
    errors: list[str] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    intercept: Callable[[str], object] = lambda _line: ...
    tripped: bool = False
    offset_v: float = 0.0

    def __post_init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._port = self._server.getsockname()[1]
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        """Its VISA resource name."""
        return f"TCPIP::127.0.0.1::{self._port}::SOCKET"

    def unplug(self) -> None:
        """Close the server and every connection."""
        _shut(self._server)
        self.drop()

    def drop(self) -> None:
        """Close every connection."""
        for each in self._open:
            _shut(each)
        self._open.clear()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            self._open.append(connection)
            threading.Thread(target=self._talk, args=(connection,), daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        try:
            with connection, connection.makefile("rwb") as stream:
                for raw in stream:
                    line = raw.decode().strip()
                    self.heard.append(line)
                    answer = self.intercept(line)
                    if answer is ...:
                        answer = self._answer(line)
                    if answer is not None:
                        stream.write(f"{answer}\n".encode())
                        stream.flush()
        except (OSError, ValueError):
            return

    def _answer(self, line: str) -> Answer:
        head, _, value = line.partition(" ")
        if value:
            if head not in self.settings:
                self.errors.append('-113,"Undefined header"')
            elif head == "VOLT" and float(value) > 10:
                self.errors.append('-222,"Data out of range"')
            else:
                self.settings[head] = value
            return None
        return self._asked(line)

    def _asked(self, line: str) -> Answer:
        if line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        is_on = self.settings["OUTP"] == "1"
        output_v = (float(self.settings["VOLT"]) + self.offset_v) * is_on
        trip = str(int(self.tripped))
        known = {
            "*IDN?": self.identity,
            "VOLT:PROT:TRIP?": trip,
            "CURR:PROT:TRIP?": trip,
            "MEAS:CURR?": "0.0035",
            "MEAS:VOLT?": f"{output_v:.4f}",
        }
        known |= {f"{head}?": value for head, value in self.settings.items()}
        if line not in known:
            self.errors.append('-113,"Undefined header"')
        return known.get(line)


def _shut(each: socket.socket) -> None:
    """Close a socket, and wake whoever waits on it."""
    with suppress(OSError):
        each.shutdown(socket.SHUT_RDWR)
    each.close()
