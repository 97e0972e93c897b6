"""The bench behind RFC 2217 on loopback, with pyserial's own port manager in front.

Rates, formats, RTS, DTR and break work as over any network serial port. One client
at a time; the next is served when it has gone.
"""

from __future__ import annotations

import selectors
import socket
from collections.abc import Callable
from contextlib import suppress
from threading import Event
from typing import cast

from serial import SerialException
from serial.rfc2217 import PortManager, Serial

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.port import SimulatedPort
from harness.simulation.servers.punctuality import Punctuality

HOST = "127.0.0.1"
BUSY_WAIT_MS = 1
IDLE_WAIT_MS = 50
CLIENT_STALLS_S = 5.0
"""A client that takes nothing for so long is dropped."""


class Connection:
    """What the port manager writes its answers to."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client

    def write(self, data: bytes) -> None:
        """Send everything."""
        self._client.sendall(data)


def serve_rfc2217(
    bench: Bench,
    *,
    port: int = 0,
    announce: Callable[[str], None] = lambda _: None,
    report: Callable[[str], None] = lambda _: None,
    stop: Event | None = None,
) -> None:
    """Serve a bench until ``stop`` is set or Ctrl-C comes.

    Args:
        bench: its clock follows the wall from now on.
        port: TCP port on the loopback interface; 0 takes a free one.
        announce: called with the address to open.
        report: called when the bench falls behind real time.
        stop: ends the service, within a twentieth of a second.

    Raises:
        OSError: the TCP port is taken.
    """
    stop = stop or Event()
    bench.follow_wall_clock()
    with socket.create_server((HOST, port)) as listener:
        listener.settimeout(IDLE_WAIT_MS / 1000)
        announce(f"rfc2217://{HOST}:{listener.getsockname()[1]}")
        punctuality = Punctuality(bench, report)
        with suppress(KeyboardInterrupt):
            while not stop.is_set():
                bench.catch_up()
                with suppress(TimeoutError):
                    client, _ = listener.accept()
                    _serve_client(bench, client, punctuality, stop)


def _serve_client(
    bench: Bench, client: socket.socket, punctuality: Punctuality, stop: Event
) -> None:
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.settimeout(CLIENT_STALLS_S)
    port: SimulatedPort | None = None
    # a client that goes, and an adapter that is unplugged, both end the session
    # waiting is done in the way that this system has; not all have poll
    with client, suppress(OSError), selectors.DefaultSelector() as arrivals:
        arrivals.register(client, selectors.EVENT_READ)
        port = SimulatedPort.for_bench(bench, timeout_s=0)
        _relay(port, client, arrivals, punctuality, stop)
    if port is not None:
        with suppress(SerialException, OSError):
            port.close()


def _relay(
    port: SimulatedPort,
    client: socket.socket,
    arrivals: selectors.BaseSelector,
    punctuality: Punctuality,
    stop: Event,
) -> None:
    # the stubs ask for one class where any with these methods will do
    manager = PortManager(cast("Serial", port), cast("Serial", Connection(client)))
    adapter = port.bench.adapter
    waiting = bytearray()
    while not stop.is_set():
        busy = adapter.is_busy or waiting
        if arrivals.select((BUSY_WAIT_MS if busy else IDLE_WAIT_MS) * 1e-3):
            received = client.recv(4096)
            if not received:
                return
            waiting += b"".join(manager.filter(received))
        room = min(len(waiting), max(0, adapter.room))
        if room:
            port.write(waiting[:room])
            del waiting[:room]
        echoes = port.read(port.in_waiting)
        if echoes:
            client.sendall(b"".join(manager.escape(echoes)))
            punctuality.check()
