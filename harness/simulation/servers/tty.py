"""The bench behind a real tty: a pty whose set speed the bench reads back.

A pty takes any speed and paces nothing; the bench rounds the speed as its chip does
and delivers echoes when they could be there. There are no modem lines on a pty, so
nothing is switched; both are taken as raised. When the adapter is unplugged the pty
goes away; plugged in again it has another name, as a real one may.

Linux only. Source: each was tried out on a pty.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import termios
import tty
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from threading import Event

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.punctuality import Punctuality

TCGETS2 = 0x802C542A
TERMIOS2 = struct.Struct("=4IB19s2I")
BUSY_WAIT_MS = 1
IDLE_WAIT_MS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed:
    """What the client set."""

    baud: int
    stop_bits: int


class Pty:
    """A raw pty pair; the client opens ``path``."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        # kept open, so that the master outlives its clients
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)

    def close(self) -> None:
        """Take it away; a client notices as with an unplugged adapter."""
        os.close(self.master)
        os.close(self._slave)

    def speed(self) -> Speed:
        """Speed and stop bits as the client set them last."""
        answer = fcntl.ioctl(self.master, TCGETS2, bytes(TERMIOS2.size))
        _, _, control, *_, output_baud = TERMIOS2.unpack(answer)
        stop_bits = 2 if control & termios.CSTOPB else 1
        return Speed(baud=output_baud, stop_bits=stop_bits)

    def read(self) -> bytes:
        """What the client wrote; empty if nothing."""
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Hand echoes to the client; what is not read is lost when the queue is full."""
        with suppress(BlockingIOError):
            os.write(self.master, data)


def serve_tty(
    bench: Bench,
    *,
    announce: Callable[[str], None],
    report: Callable[[str], None] = lambda _: None,
    stop: Event | None = None,
    between: Callable[[], None] = lambda: None,
) -> None:
    """Serve a bench on a pty until ``stop`` is set or Ctrl-C comes.

    Args:
        bench: its clock follows the wall from now on.
        announce: called with the path to open, once for each plugging in.
        report: called when the bench falls behind real time.
        stop: ends the service, within a twentieth of a second.
        between: called again and again between two characters, in this thread.
    """
    stop = stop or Event()
    bench.follow_wall_clock()
    with suppress(KeyboardInterrupt):
        while not stop.is_set():
            bench.catch_up()
            if bench.adapter.plugged:
                _serve_one_plugging(
                    bench, announce, Punctuality(bench, report), stop, between
                )
            else:
                stop.wait(IDLE_WAIT_MS / 1000)


def _serve_one_plugging(
    bench: Bench,
    announce: Callable[[str], None],
    punctuality: Punctuality,
    stop: Event,
    between: Callable[[], None],
) -> None:
    pty = Pty()
    try:
        bench.adapter.set_modem_lines(rts=True, dtr=True, now_us=bench.clock.now_us)
        poll = select.poll()
        poll.register(pty.master, select.POLLIN)
        announce(pty.path)
        while bench.adapter.plugged and not stop.is_set():
            poll.poll(BUSY_WAIT_MS if bench.adapter.is_busy else IDLE_WAIT_MS)
            _take_from_client(bench, pty)
            _give_to_client(bench, pty, punctuality)
            between()
    finally:
        pty.close()


def _take_from_client(bench: Bench, pty: Pty) -> None:
    adapter = bench.adapter
    if adapter.room < 4096:
        bench.catch_up()
        return
    data = pty.read()
    if not data:
        return
    speed = pty.speed()
    now_us = bench.clock.now_us
    if speed.baud:
        adapter.configure(baud=speed.baud, stop_bits=speed.stop_bits, now_us=now_us)
    adapter.write(data, now_us=now_us)


def _give_to_client(bench: Bench, pty: Pty, punctuality: Punctuality) -> None:
    adapter = bench.adapter
    count = adapter.available(bench.clock.now_us)
    if count:
        pty.write(adapter.take(count))
        punctuality.check()
