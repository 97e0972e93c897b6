"""The simulated adapter as a pyserial port.

It behaves as a port of the operating system does: both modem lines rise when it is
opened and fall when it is closed, a read waits no longer than its time-out (on the
virtual clock), and after unplugging each call fails in its own way.

Source of the habits: pyserial 3.5, its source text.
"""

from __future__ import annotations

import errno
import os
from math import inf
from typing import Any, Self

import serial
from serial.serialutil import PortNotOpenError, SerialBase, SerialTimeoutException

from harness.simulation.instruments.scpi import ScpiInterface
from harness.simulation.servers.bench import Bench
from harness.simulation.servers.bench_registry import benches, name_asked_for
from harness.simulation.servers.clocks import HostClock

_termios_error: type[Exception]
try:
    import termios
except ImportError:  # pragma: no cover - no termios on this system
    _termios_error = OSError
else:
    _termios_error = termios.error

FOR_EVER_US = 30 * 86_400e6
"""A read without time-out gives up after this virtual time: it would never end."""

GONE = "device reports readiness to read but returned no data (device disconnected or multiple access on port?)"


class SimulatedPort(SerialBase):
    """A port whose other end is a simulated bench."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - pyserial's own
        self._bench: Bench | None = None
        self._plugged_in = 0
        self._holds_lock = False
        super().__init__(*args, **kwargs)

    @classmethod
    def for_bench(cls, bench: Bench, *, timeout_s: float | None = 1.0) -> Self:
        """An open port on a bench of one's own, without a fixture file."""
        port = cls(timeout=timeout_s)
        port._bench = bench
        port.port = "sim:///for-bench"
        port.open()
        return port

    @property
    def bench(self) -> Bench:
        """The bench at the other end.

        Raises:
            PortNotOpenError: the port was never open.
        """
        return self._bench_in_use()

    def open_instrument(self, resource: str) -> ScpiInterface:
        """An instrument of the bench.

        Raises:
            KeyError: it has none of that name.
        """
        return self._bench_in_use().rack.open(resource)

    @property
    def clock(self) -> HostClock:
        """The host's time.

        Raises:
            PortNotOpenError: the port was never open.
        """
        return self._bench_in_use().clock

    def open(self) -> None:
        """Open with the current settings.

        Raises:
            SerialException: no such fixture, unplugged (errno 2), locked (errno 11).
        """
        if self.is_open:
            raise serial.SerialException("Port is already open.")
        if self.port is None:
            raise serial.SerialException("Port must be configured before use.")
        if self._bench is None:
            self._bench = benches.at(self.port)
        bench = self._bench_in_use()
        adapter = bench.adapter
        adapter.pump(bench.clock.now_us)
        name = name_asked_for(self.port)
        if adapter.port_name is None:
            adapter.port_name = name
        if not adapter.plugged or name not in {None, adapter.port_name}:
            raise _failure(errno.ENOENT, f"could not open port {self.port}")
        if self.exclusive and bench.locked:
            raise _failure(errno.EAGAIN, f"Could not exclusively lock port {self.port}")
        if self.exclusive:
            bench.locked = self._holds_lock = True
        self._plugged_in = adapter.plugged_in
        self.is_open = True
        bench.handles += 1
        # the operating system raises both lines together before anybody is asked
        adapter.set_modem_lines(rts=True, dtr=True, now_us=bench.clock.now_us)
        self._reconfigure_port()
        self._update_lines()
        adapter.opened(bench.clock.now_us)
        adapter.purge_incoming(bench.clock.now_us)

    def close(self) -> None:
        """Close; both modem lines fall."""
        if not self.is_open:
            return
        bench = self._bench_in_use()
        self.is_open = False
        bench.handles -= 1
        if self._is_alive():
            bench.adapter.set_break(False, now_us=bench.clock.now_us)
            bench.adapter.set_modem_lines(
                rts=False, dtr=False, now_us=bench.clock.now_us
            )
        if self._holds_lock:
            bench.locked = self._holds_lock = False
        if bench.recorder is not None and not bench.handles:
            bench.core.hand_over()
            bench.recorder.close()

    @property
    def in_waiting(self) -> int:
        """Characters that can be read at once."""
        bench = self._open_bench()
        count = bench.adapter.available(bench.clock.now_us)
        if not self._is_alive():
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return count

    @property
    def out_waiting(self) -> int:
        """Characters written and not yet sent."""
        bench = self._open_bench()
        bench.adapter.pump(bench.clock.now_us)
        return bench.adapter.unsent

    def read(self, size: int = 1) -> bytes:
        """Read up to ``size`` characters, waiting no longer than the time-out."""
        bench = self._open_bench()
        wait_us = FOR_EVER_US if self.timeout is None else self.timeout * 1e6
        deadline_us = bench.clock.now_us + wait_us
        reached_us = bench.adapter.wait(
            size, now_us=bench.clock.now_us, deadline_us=deadline_us
        )
        bench.clock.move_to(reached_us)
        if not self._is_alive():
            raise serial.SerialException(GONE)
        data = bench.adapter.take(size)
        if self.timeout is None and len(data) < size:
            raise serial.SerialException("nothing came and nothing ever will")
        return data

    def write(self, data: Any) -> int:  # noqa: ANN401 - pyserial's own
        """Queue characters; waits while the adapter's queue is full.

        Raises:
            SerialTimeoutException: no room in time; a part may have gone out.
        """
        bench = self._open_bench()
        content = bytes(data)
        limit = self.write_timeout
        deadline_us = inf if limit is None else bench.clock.now_us + limit * 1e6
        place = 0
        while True:
            bench.adapter.pump(bench.clock.now_us)
            if not self._is_alive():
                raise _failure(errno.EIO, "write failed")
            end = place + max(0, bench.adapter.room)
            bench.adapter.write(content[place:end], now_us=bench.clock.now_us)
            place = min(end, len(content))
            if place == len(content):
                return place
            if bench.clock.now_us >= deadline_us:
                raise SerialTimeoutException("Write timeout")
            bench.clock.sleep(bench.core.framing.character_us * 16e-6)

    def flush(self) -> None:
        """Wait until everything is sent."""
        while self.out_waiting:
            self.clock.sleep(self.bench.core.framing.character_us * 1e-6)

    def reset_input_buffer(self) -> None:
        """Drop what can be read."""
        bench = self._open_bench()
        bench.adapter.purge_incoming(bench.clock.now_us)
        self._fail_if_dead()

    def reset_output_buffer(self) -> None:
        """Drop what is not yet sent."""
        bench = self._open_bench()
        bench.adapter.purge_outgoing(bench.clock.now_us)
        self._fail_if_dead()

    def set_low_latency_mode(self, low_latency_settings: bool) -> None:
        """Ask the driver for its shortest timer.

        Raises:
            ValueError: it has no such mode, as pyserial says it.
        """
        bench = self._open_bench()
        now_us = bench.clock.now_us
        if not bench.adapter.set_low_latency(low_latency_settings, now_us=now_us):
            raise ValueError("Failed to update ASYNC_LOW_LATENCY flag")

    def send_break(self, duration: float = 0.25) -> None:
        """Hold the line low for a time on the port's clock."""
        self.break_condition = True
        self.clock.sleep(duration)
        self.break_condition = False

    @property
    def cts(self) -> bool:
        """Not wired."""
        return False

    @property
    def dsr(self) -> bool:
        """Not wired."""
        return False

    @property
    def ri(self) -> bool:
        """Not wired."""
        return False

    @property
    def cd(self) -> bool:
        """Not wired."""
        return False

    # what pyserial's properties call

    def _reconfigure_port(self, force_update: bool = False) -> None:
        bench = self._open_bench()
        bench.adapter.pump(bench.clock.now_us)
        self._fail_if_dead()
        if self.bytesize != serial.EIGHTBITS or self.parity != serial.PARITY_NONE:
            raise ValueError("the simulated adapter has 8 data bits and no parity")
        if self.stopbits not in {serial.STOPBITS_ONE, serial.STOPBITS_TWO}:
            raise ValueError("the simulated adapter has 1 or 2 stop bits")
        if not self.baudrate:
            raise ValueError(f"Not a valid baudrate: {self.baudrate!r}")
        done_us = bench.adapter.configure(
            baud=self.baudrate,
            stop_bits=int(self.stopbits),
            now_us=bench.clock.now_us,
        )
        bench.clock.move_to(done_us)

    def _update_rts_state(self) -> None:
        self._update_lines()

    def _update_dtr_state(self) -> None:
        self._update_lines()

    def _update_lines(self) -> None:
        bench = self._open_bench()
        bench.adapter.set_modem_lines(
            rts=bool(self.rts),
            dtr=bool(self.dtr),
            now_us=bench.clock.now_us,
        )
        if not self._is_alive():
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def _update_break_state(self) -> None:
        bench = self._open_bench()
        bench.adapter.set_break(bool(self.break_condition), now_us=bench.clock.now_us)

    # inside

    def _bench_in_use(self) -> Bench:
        if self._bench is None:
            raise PortNotOpenError
        return self._bench

    def _open_bench(self) -> Bench:
        if not self.is_open:
            raise PortNotOpenError
        return self._bench_in_use()

    def _is_alive(self) -> bool:
        adapter = self._bench_in_use().adapter
        return adapter.plugged and adapter.plugged_in == self._plugged_in

    def _fail_if_dead(self) -> None:
        if not self._is_alive():
            raise _termios_error(errno.EIO, os.strerror(errno.EIO))


def _failure(number: int, what: str) -> serial.SerialException:
    return serial.SerialException(
        number, f"{what}: [Errno {number}] {os.strerror(number)}"
    )
