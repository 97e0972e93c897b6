"""The same bench behind a real tty and behind RFC 2217, reached through plain pyserial."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from queue import Queue
from threading import Event, Thread

import pytest
import serial

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.rfc2217 import serve_rfc2217
from harness.simulation.settings.bench import bench_settings

serve_tty = pytest.importorskip(
    "harness.simulation.servers.tty", exc_type=ImportError
).serve_tty

pytestmark = [
    pytest.mark.unix,
    pytest.mark.slow,
    # pyserial 3.5 starts the thread of its network port the old way
    pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning"),
    pytest.mark.skipif(sys.platform != "linux", reason="needs Linux ptys"),
]

LONG_S = 10.0
"""Far more than anything here takes; only a hang gets there."""

DEVICE = {
    "family": 0x28,
    "serial": 0xA4B3C2D1,
    "temperature_degc": 25.0625,
    "conversion_ms": 400,
}


class Served:
    """A bench served from a thread.

    Attributes:
        addresses: what the server announced.
        reports: what it complained about.
    """

    def __init__(self, serve: Callable[..., None], bench: Bench) -> None:
        self.addresses: Queue[str] = Queue()
        self.reports: list[str] = []
        self.stop = Event()
        self.thread = Thread(
            target=serve,
            args=(bench,),
            kwargs={
                "announce": self.addresses.put,
                "report": self.reports.append,
                "stop": self.stop,
            },
        )
        self.thread.start()

    def end(self) -> None:
        """Stop and wait."""
        self.stop.set()
        self.thread.join(LONG_S)
        assert not self.thread.is_alive()


Serve = Callable[..., Served]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Serve a bench: ``serve(how, power=..., faults=...)``."""
    running: list[Served] = []

    def start(how: Callable[..., None], **sections: object) -> Served:
        simulation: dict[str, object] = {"devices": [DEVICE]}
        simulation["faults"] = sections.pop("faults", [])
        bench = Bench(bench_settings({**sections, "simulation": simulation}))
        served = Served(how, bench)
        running.append(served)
        return served

    yield start
    for served in running:
        served.end()


def ask(port: serial.Serial, request: bytes, count: int) -> bytes:
    """Reset, write and read with raw frames."""
    port.baudrate = 7800
    port.write(b"\xf8")
    assert port.read(1) in {b"\xf0", b"\xe0"}
    port.baudrate = 142_857
    frames = bytes(
        0xFF if byte >> place & 1 else 0x00 for byte in request for place in range(8)
    )
    frames += b"\xff" * (8 * count)
    port.write(frames)
    echo = port.read(len(frames))
    assert len(echo) == len(frames)
    bits = [char & 1 for char in echo[8 * len(request) :]]
    return bytes(
        sum(bits[8 * place + i] << i for i in range(8)) for place in range(count)
    )


@pytest.mark.parametrize("how", [serve_tty, serve_rfc2217])
def test_conversion_takes_real_time(serve: Serve, how: Callable[..., None]) -> None:
    """Busy right after the command, done when its real time has passed."""
    address = serve(how).addresses.get(timeout=LONG_S)
    with serial.serial_for_url(address, timeout=LONG_S) as port:
        assert ask(port, b"\xcc\xbe", 9).hex() == "50054b467fff0c101c"
        assert ask(port, b"\xcc\x44", 1) == b"\x00"
        done = b"\x00"
        polls = 0
        while not done[0] & 1:
            port.write(b"\xff")
            done = port.read(1)
            polls += 1
        assert polls > 2
        assert ask(port, b"\xcc\xbe", 9).hex() == "91014b467fff0f1025"


@pytest.mark.parametrize("how", [serve_tty, serve_rfc2217])
def test_next_client_finds_the_same_bench(
    serve: Serve, how: Callable[..., None]
) -> None:
    """A client may go and another come; the devices keep their state."""
    address = serve(how).addresses.get(timeout=LONG_S)
    with serial.serial_for_url(address, timeout=LONG_S) as port:
        ask(port, b"\xcc\x4e\x11\x22\x3f", 0)
    with serial.serial_for_url(address, timeout=LONG_S) as port:
        assert ask(port, b"\xcc\xbe", 5)[2:] == b"\x11\x22\x3f"


def test_modem_lines_switch_power_over_rfc2217(serve: Serve) -> None:
    """RTS feeds the bus: without it the line is low and state is lost."""
    served = serve(serve_rfc2217, power={"supply_on": "rts"})
    address = served.addresses.get(timeout=LONG_S)
    with serial.serial_for_url(address, timeout=LONG_S) as port:
        ask(port, b"\xcc\x4e\x11\x22\x3f", 0)
        port.rts = False
        assert port.read(1) == b"\x00"  # the line falls: one break
        port.rts = True
        port.timeout = 0.1
        port.read(100)  # what the line says while it comes up
        port.timeout = LONG_S
        assert ask(port, b"\xcc\xbe", 5)[2:] == b"\x4b\x46\x7f"


def test_unplugged_tty_comes_back_under_a_new_name(serve: Serve) -> None:
    """The pty goes away in use; another one is announced later."""
    fault = {"kind": "adapter-unplugged", "at_s": 0.3, "for_s": 0.2}
    served = serve(serve_tty, faults=[fault])
    with serial.serial_for_url(
        served.addresses.get(timeout=LONG_S), timeout=LONG_S
    ) as port:
        ask(port, b"\xcc\xbe", 9)
        with pytest.raises(serial.SerialException):
            port.read(1)
    with serial.serial_for_url(
        served.addresses.get(timeout=LONG_S), timeout=LONG_S
    ) as port:
        assert ask(port, b"\xcc\xbe", 2) == b"\x50\x05"


def test_servers_stop_at_once(serve: Serve) -> None:
    """With and without a client, stopping ends the thread."""
    idle = serve(serve_rfc2217)
    idle.addresses.get(timeout=LONG_S)
    idle.end()
    busy = serve(serve_tty)
    with serial.serial_for_url(busy.addresses.get(timeout=LONG_S)):
        busy.end()
