"""The simulated adapter as a pyserial port: time, packets, limits, addresses."""

from __future__ import annotations

import importlib
import urllib.parse
from typing import TYPE_CHECKING

import pytest
import serial

from harness.clock import Clock
from harness.simulation.servers.bench import Bench
from harness.simulation.servers.bench_registry import RUNS_KEPT
from harness.simulation.servers.port import SimulatedPort
from harness.simulation.settings.bench import bench_settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.simulation.conftest import MakeHost

FIXTURE = """\
fixture: invented bench
line: {pull_up_ohm: 2200}
simulation:
  devices:
    - {family: 0x28, serial: 7}
"""


@pytest.fixture
def handler() -> Iterator[None]:
    """``sim://`` made known to pyserial for a while."""
    serial.protocol_handler_packages.append("harness.simulation")
    yield
    serial.protocol_handler_packages.remove("harness.simulation")


@pytest.fixture
def url(tmp_path: Path) -> str:
    """Address of a fixture file with a space in its path."""
    folder = tmp_path / "a bench"
    folder.mkdir()
    path = folder / "fixture.yaml"
    path.write_text(FIXTURE)
    return "sim://" + urllib.parse.quote(str(path))


def open_port(url: str, **settings: object) -> SimulatedPort:
    """Through pyserial's own door."""
    port = serial.serial_for_url(url, timeout=1, **settings)  # type: ignore[arg-type]
    assert isinstance(port, SimulatedPort)
    return port


def test_handler_module_imports() -> None:
    """A broken import look like an unknown protocol."""
    module = importlib.import_module("harness.simulation.protocol_sim")
    assert module.Serial is SimulatedPort


def test_clock_is_what_the_harness_asks_for(make_host: MakeHost) -> None:
    """It fits the harness's own protocol without sharing any code."""
    assert isinstance(make_host().port.clock, Clock)


@pytest.mark.usefixtures("handler")
def test_address_reaches_the_same_bench_while_it_is_open(url: str) -> None:
    """A second handle finds devices and clock as they are; after all are closed, new ones."""
    first = open_port(url)
    first.clock.sleep(5)
    second = open_port(url)
    assert second.bench is first.bench
    first.close()
    second.close()
    with open_port(url) as third:
        assert third.clock.now_s() < 1


@pytest.mark.usefixtures("handler")
def test_port_object_opens_its_own_bench_again(url: str) -> None:
    """Closing and opening one object changes nothing on the bench."""
    port = open_port(url)
    port.clock.sleep(5)
    port.close()
    port.open()
    assert port.clock.now_s() >= 5


@pytest.mark.usefixtures("handler")
def test_run_word_keeps_the_bench(url: str) -> None:
    """With ``run`` the port may be dropped and found again; words keep runs apart."""

    def reached_s(word: str, wait_s: float = 0.0) -> float:
        with open_port(f"{url}?run={word}") as port:
            port.clock.sleep(wait_s)
            return port.clock.now_s()

    assert reached_s("one", wait_s=5) >= 5
    assert reached_s("two") < 1
    assert reached_s("one") >= 5
    for count in range(RUNS_KEPT + 1):
        reached_s(str(count))
    assert reached_s("one") < 1


@pytest.mark.usefixtures("handler")
def test_seed_of_the_address_counts(url: str) -> None:
    """``seed`` draws other time bases than the fixture's own seed."""
    own, other = open_port(url), open_port(f"{url}?seed=99")
    assert own.bench.stations[0].time_base != other.bench.stations[0].time_base
    assert other.bench.settings.seed == 99


@pytest.mark.usefixtures("handler")
def test_exclusive_port_opens_once(url: str) -> None:
    """Error number 11, as flock gives; free again after close."""
    first = open_port(url, exclusive=True)
    with pytest.raises(serial.SerialException, match="exclusively lock") as busy:
        open_port(url, exclusive=True)
    assert busy.value.errno == 11
    first.close()
    open_port(url, exclusive=True).close()


@pytest.mark.usefixtures("handler")
@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("simulation: {devices: [{family: 0x28, temprature_degc: 4}]}", "temperature"),
        ("- a\n- list", "no mapping"),
        ("a: [", "Could not read"),
        ("simulation: {adapter: {oversampling: 12}}", "oversampling"),
    ],
)
def test_bad_fixture_is_a_serial_exception(
    tmp_path: Path, content: str, words: str
) -> None:
    """Never a traceback of another library."""
    path = tmp_path / "bad.yaml"
    path.write_text(content)
    with pytest.raises(serial.SerialException, match=words):
        open_port(f"sim://{path}")


@pytest.mark.usefixtures("handler")
@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("sim:///nowhere/at/all.yaml", "No such file"),
        ("sim://host/path.yaml", "expected sim:///"),
        ("sim:///tmp/x.yaml?sed=4", "unknown option 'sed'"),
    ],
)
def test_bad_address(address: str, words: str) -> None:
    """The message says what was expected."""
    with pytest.raises(serial.SerialException, match=words):
        open_port(address)


def test_read_waits_no_longer_than_its_timeout(make_host: MakeHost) -> None:
    """On the virtual clock, to the microsecond."""
    host = make_host(timeout_s=0.25)
    before_s = host.port.clock.now_s()
    assert host.port.read(10) == b""
    assert host.port.clock.now_s() - before_s == pytest.approx(0.25, abs=1e-6)
    host.port.timeout = 0
    assert host.port.read(10) == b""
    assert host.port.clock.now_s() - before_s == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize(
    ("latency_ms", "count", "least_ms", "most_ms"),
    [(16, 1, 0.5, 17), (16, 62, 5.8, 6.7), (1, 1, 0.5, 1.7), (1, 124, 11, 12.5)],
)
def test_round_trip_follows_the_latency_model(
    make_host: MakeHost, latency_ms: float, count: int, least_ms: float, most_ms: float
) -> None:
    """T(N) of application note AN232B-04: full packets go at once, others by the timer."""
    host = make_host(adapter={"latency_ms": latency_ms, "kind": "exact"})
    host.exchange(b"\xff", baud=115_200)  # the timer starts with a packet
    before_s = host.port.clock.now_s()
    host.port.write(b"\xff" * count)
    assert len(host.port.read(count)) == count
    assert least_ms < (host.port.clock.now_s() - before_s) * 1000 < most_ms


def test_ping_pong_locks_to_the_timer(make_host: MakeHost) -> None:
    """62.5 lone characters a second at 16 ms (application note AN232B-04)."""
    host = make_host(adapter={"latency_ms": 16})
    host.exchange(b"\xff", baud=115_200)
    before_s = host.port.clock.now_s()
    for _ in range(50):
        host.exchange(b"\xff", baud=115_200)
    assert host.port.clock.now_s() - before_s == pytest.approx(50 * 0.016, abs=0.001)


def test_change_of_rate_costs_time(make_host: MakeHost) -> None:
    """``baud_change_ms`` for a change, nothing for the same rate again."""
    host = make_host(adapter={"baud_change_ms": 3})
    before_s = host.port.clock.now_s()
    host.port.baudrate = 115_200
    assert host.port.clock.now_s() - before_s == pytest.approx(0.003)
    host.port.baudrate = 115_200
    assert host.port.clock.now_s() - before_s == pytest.approx(0.003)


def test_change_of_rate_in_flight_spoils_the_rest(make_host: MakeHost) -> None:
    """What was not yet sent goes out at the new rate; waiting echoes are lost."""
    host = make_host(adapter={"latency_ms": 16})
    host.port.baudrate = 115_200
    trace = host.bench.record_trace()
    host.port.write(b"\xff" * 100)
    host.port.clock.sleep(0.003)
    host.port.baudrate = 9600
    host.port.timeout = 0.5
    assert len(host.port.read(100)) < 100
    lengths_us = [low.length_us for low in trace.lows(1.5)]
    assert min(lengths_us) < 9
    assert max(lengths_us) > 100


def test_long_write_waits_for_room(make_host: MakeHost) -> None:
    """More than the queue takes: write blocks, or gives up with its own error."""
    host = make_host(adapter={"max_write": 512})
    host.port.baudrate = 115_200
    before_s = host.port.clock.now_s()
    assert host.port.write(b"\xff" * 1024) == 1024
    assert host.port.clock.now_s() - before_s > 0.04
    assert len(host.port.read(1024)) == 1024
    host.port.write_timeout = 0.01
    with pytest.raises(serial.SerialTimeoutException):
        host.port.write(b"\xff" * 1024)


def test_flush_waits_until_all_is_sent(make_host: MakeHost) -> None:
    """Nothing is left to send, and the line has had its time."""
    host = make_host()
    host.port.baudrate = 115_200
    before_s = host.port.clock.now_s()
    host.port.write(b"\xff" * 100)
    host.port.flush()
    assert host.port.out_waiting == 0
    assert host.port.clock.now_s() - before_s > 0.0085


def test_dropping_the_output_stops_the_burst(make_host: MakeHost) -> None:
    """Fewer echoes than written."""
    host = make_host(timeout_s=0.2)
    host.port.baudrate = 115_200
    host.port.write(b"\xff" * 1000)
    host.port.clock.sleep(0.02)
    host.port.reset_output_buffer()
    assert 100 < len(host.port.read(1000)) < 500


@pytest.mark.parametrize(
    ("name", "value"), [("bytesize", 7), ("parity", "E"), ("stopbits", 1.5)]
)
def test_formats_it_cannot_do_are_refused(
    make_host: MakeHost, name: str, value: object
) -> None:
    """8N1 and 8N2 only."""
    with pytest.raises(ValueError, match="simulated adapter"):
        setattr(make_host().port, name, value)


def test_closed_port_refuses_everything(make_host: MakeHost) -> None:
    """As pyserial's own ports do."""
    port = make_host().port
    port.close()
    with pytest.raises(serial.PortNotOpenError):
        port.read(1)
    with pytest.raises(serial.PortNotOpenError):
        port.write(b"\xff")
    with pytest.raises(serial.PortNotOpenError):
        _ = port.in_waiting


def test_opening_raises_both_lines_and_closing_drops_them() -> None:
    """The supply on RTS comes with open and goes with close."""
    fixture = {"power": {"supply_on": "rts"}, "simulation": {}}
    bench = Bench(bench_settings(fixture))
    assert bench.core.wiring.line.final_v == 0.0
    port = SimulatedPort.for_bench(bench)
    assert bench.core.wiring.line.final_v == 5.0
    port.close()
    assert bench.core.wiring.line.final_v == 0.0


def test_break_holds_the_line(make_host: MakeHost) -> None:
    """One 00h comes back, and the low lasts as long as asked."""
    host = make_host(timeout_s=0.1)
    trace = host.bench.record_trace()
    host.port.send_break(0.02)
    assert host.port.read(5) == b"\x00"
    (low,) = trace.lows(1.5)
    assert low.length_us == pytest.approx(20_000, rel=0.01)
