"""Adapter and host: faults of public reports, retold, on the bench."""

from __future__ import annotations

from itertools import pairwise
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import serial
import yaml

from harness.simulation.servers.bench_registry import Benches
from harness.simulation.servers.port import SimulatedPort
from harness.wire.romcode import RomCode

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

THERMOMETER = {"family": 0x28, "serial": 0xA5, "socket": "A1"}


def echo(host: Host, byte: int, *, baud: int = 115_200, count: int = 9) -> bytes:
    """All that comes back for one character."""
    host.wait(0.01)
    host.port.baudrate = baud
    host.port.timeout = 0.05
    host.port.write(bytes([byte]))
    received: bytes = host.port.read(count)
    return received


def self_test(host: Host) -> list[bytes]:
    """F0, FF and 00, and what comes back."""
    return [echo(host, 0xF0, baud=9600), echo(host, 0xFF), echo(host, 0x00)]


HEALTHY = [b"\xf0", b"\xff", b"\x00"]


def test_twin_without_fault(make_host: MakeHost) -> None:
    """An adapter that is well: F0, FF, 00, and then silence."""
    host = make_host()
    assert self_test(host) == HEALTHY
    assert host.port.read(1) == b""


def test_f29_latency_timer(make_host: MakeHost) -> None:
    """16 ms an exchange: 201 for one device in triplets are 3.2 s."""
    triplets_s = 201 * 0.016
    assert triplets_s == pytest.approx(3.2, abs=0.02)
    host = make_host(adapter={"latency_ms": 16})
    host.port.baudrate = 115_200
    before_s = host.port.clock.now_s()
    for _ in range(201):
        host.port.write(b"\xff")
        host.port.read(1)
    assert host.port.clock.now_s() - before_s == pytest.approx(triplets_s, rel=0.03)


def test_f29_gaps_between_slots_do_no_harm(make_host: MakeHost) -> None:
    """30 ms late with some packets: the block is right, only later."""
    host = make_host(THERMOMETER)
    good = host.convert()
    host = make_host(
        THERMOMETER, faults=[{"kind": "host-gaps", "gap_ms": 30, "probability": 0.2}]
    )
    assert host.convert() == good
    took_s = []
    for _ in range(40):
        before_s = host.port.clock.now_s()
        assert host.exchange(b"\xff" * 62, baud=115_200) == b"\xff" * 62
        took_s.append(host.port.clock.now_s() - before_s)
    late = sum(taken_s > 0.03 for taken_s in took_s)
    assert 2 < late < 20
    assert min(took_s) < 0.01


def test_f29_gap_falls_between_packets(make_host: MakeHost) -> None:
    """In one long burst the transmitter pauses after whole packets only."""
    host = make_host(faults=[{"kind": "host-gaps", "probability": 1.0}])
    trace = host.bench.record_trace()
    host.exchange(b"\xff" * 186, baud=115_200)
    host.bench.stop_trace()
    starts_us = [low.start_us for low in trace.lows(1.5)]
    pauses = [
        place + 1
        for place, (one, other) in enumerate(pairwise(starts_us))
        if other - one > 1000
    ]
    assert pauses == [62, 124]


def test_f30a_receive_line_open(make_host: MakeHost) -> None:
    """No echo at all."""
    assert self_test(make_host(faults=[{"kind": "adapter-no-echo"}])) == [b""] * 3


def test_f30b_receiver_inverted(make_host: MakeHost) -> None:
    """Idle is a break; each character brings 00 once its first low has ended."""
    host = make_host(THERMOMETER, faults=[{"kind": "receiver-inverted"}])
    assert echo(host, 0xFF) == b"\x00"
    assert echo(host, 0x00) == b"\x00"
    assert host.exchange(b"\xff" * 50, baud=115_200) == b"\x00" * 50


def test_f30b_comes_and_goes(make_host: MakeHost) -> None:
    """Turned round at 0.5 s and back at 1 s."""
    fault = {"kind": "receiver-inverted", "at_s": 0.5, "for_s": 0.5}
    host = make_host(THERMOMETER, faults=[fault])
    shown = []
    for moment_s in (0.3, 0.7, 1.2):
        host.wait(moment_s - host.port.clock.now_s())
        shown.append(echo(host, 0xFF))
    assert shown == [b"\xff", b"\x00", b"\xff"]


def test_f30c_push_pull_hides_devices(make_host: MakeHost) -> None:
    """Self-test perfect; a device's 0 is 5 V * 50 / (50 + 50) = 2.5 V, no low to see."""
    host = make_host(THERMOMETER, faults=[{"kind": "push-pull-output", "high_ohm": 50}])
    assert self_test(host) == HEALTHY
    assert host.exchange(b"\xf8", baud=7800) == b"\xf8"
    host.write(b"\xcc\xbe")
    assert host.read(9) == b"\xff" * 9


def test_f30d_doubled_echo(make_host: MakeHost) -> None:
    """Each reply goes out again 2 ms later, and so does its own echo."""
    host = make_host(faults=[{"kind": "doubled-echo", "after_ms": 2}])
    host.port.baudrate = 115_200
    host.port.timeout = 0.05
    host.port.write(b"\xf0")
    received = host.port.read(40)
    assert len(received) > 8
    assert set(received) == {0xF0}


@pytest.mark.parametrize(
    ("habit", "sent", "shown"),
    [
        ("double-ff", b"\xff\x00\xff", b"\xff\xff\x00\xff\xff"),
        ("cr-to-lf", b"\x0d\x0a\xff", b"\x0a\x0a\xff"),
        ("swallow-flow-control", b"\x11\xff\x13\x00", b"\xff\x00"),
    ],
)
def test_f30d_terminal_layer(
    make_host: MakeHost, habit: str, sent: bytes, shown: bytes
) -> None:
    """A terminal takes echoes for text (source of pyserial 3.5)."""
    host = make_host(faults=[{"kind": "terminal-layer", "habit": habit}])
    host.port.baudrate = 115_200
    host.port.timeout = 0.05
    host.port.write(sent)
    assert host.port.read(20) == shown


def test_f31a_slots_at_9600(make_host: MakeHost) -> None:
    """Asked for 115200 it makes 9600: 1000 slots take 1042 ms, echoes are perfect."""
    slots_s = {baud: 1000 * 10 / baud for baud in (9600, 115_200)}
    assert slots_s[9600] == pytest.approx(1.042, abs=0.001)
    assert slots_s[115_200] == pytest.approx(0.0868, abs=0.0001)
    fault = {"kind": "wrong-baud", "above_baud": 57_600, "made_baud": 9600}
    host = make_host(THERMOMETER, faults=[fault], timeout_s=2.0)
    host.port.baudrate = 115_200
    before_s = host.port.clock.now_s()
    assert host.exchange(b"\xff" * 1000, baud=115_200) == b"\xff" * 1000
    assert host.port.clock.now_s() - before_s == pytest.approx(slots_s[9600], abs=0.01)
    assert host.reset() != 0xF8
    device = host.bench.stations[0].device
    host.write(b"\xff")
    assert device.want is None  # 104 us of low are a 0, and 00h is no command
    host.write(b"\x00")
    assert device.want is not None  # 937 us of low are a reset


@pytest.mark.parametrize(("percent", "reset_us"), [(0, 520.8), (9, 477.8)])
def test_f31b_rate_off_by_per_cents(
    make_host: MakeHost, percent: float, reset_us: float
) -> None:
    """+9 %: the reset is 477.8 us, and a device that wants 479 us hears none."""
    faults = [{"kind": "wrong-baud", "error_percent": percent}] if percent else []
    device = THERMOMETER | {"time_base": {"reset_min_us": 479}}
    host = make_host(device, faults=faults)
    trace = host.bench.record_trace()
    answer = echo(host, 0xF0, baud=9600)
    host.bench.stop_trace()
    assert trace.lows(1.5)[0].length_us == pytest.approx(reset_us, abs=1)
    assert (answer == b"\xf0") == (percent == 9)


OVERRUN = {"kind": "buffer-overrun", "buffer_bytes": 128, "stall_ms": 12.3}


def test_f32_long_bursts_lose_what_does_not_fit(make_host: MakeHost) -> None:
    """12.3 ms are 142 characters, 128 fit: 14 are lost in a stall."""
    assert ceil(12_300 / (1e7 / 115_200)) - 128 == 14
    host = make_host(faults=[OVERRUN | {"mean_gap_ms": 25}])
    host.port.timeout = 0.1
    lost = [512 - len(host.exchange(b"\xff" * 512, baud=115_200)) for _ in range(40)]
    assert 14 in lost
    assert set(lost) > {0, 14}  # stalls may be cut by an end, or come twice
    assert max(lost) <= 3 * 14


def test_f32_short_bursts_are_whole(make_host: MakeHost) -> None:
    """Twenty of twenty bursts that fit into the buffer."""
    host = make_host(faults=[OVERRUN])
    for _ in range(20):
        assert len(host.exchange(b"\xff" * 128, baud=115_200)) == 128
        host.wait(0.05)


def _fixture(tmp_path: Path, *faults: dict[str, Any]) -> str:
    path = tmp_path / "bench.yaml"
    simulation = {"devices": [THERMOMETER], "faults": list(faults)}
    path.write_text(yaml.safe_dump({"simulation": simulation}), encoding="utf-8")
    return f"sim://{path}?run=f33"


def test_f33_back_under_another_name(tmp_path: Path) -> None:
    """After 1.8 s it is usb1: the old name finds nothing, the adapter itself is found."""
    unplugged = {"kind": "adapter-unplugged", "at_s": 2.0, "for_s": 1.8}
    url = _fixture(tmp_path, unplugged | {"back_as": "usb1"})
    port = SimulatedPort(f"{url}&name=usb0", timeout=0.1)
    port.clock.sleep(2.0)
    with pytest.raises(serial.SerialException, match="returned no data"):
        port.read(1)
    port.close()
    with pytest.raises(serial.SerialException):
        port.open()
    port.clock.sleep(2.0)
    with pytest.raises(serial.SerialException, match="No such file") as gone:
        port.open()
    assert gone.value.errno == 2
    for name in ("&name=usb1", ""):
        with SimulatedPort(f"{url}{name}", timeout=0.1) as found:
            assert found.bench is port.bench


def test_f33_names_are_no_part_of_a_bench(tmp_path: Path) -> None:
    """Two names, one bench; an option of its own kind is still refused."""
    benches, url = Benches(), _fixture(tmp_path)
    assert benches.at(f"{url}&name=usb0") is benches.at(f"{url}&name=usb1")
    with pytest.raises(serial.SerialException, match="unknown option 'nane'"):
        benches.at(f"{url}&nane=usb0")


def test_f33_power_blinks_at_open(make_host: MakeHost) -> None:
    """40 ms without supply at each open: all that was volatile is gone."""
    host = make_host(THERMOMETER, faults=[{"kind": "power-blink", "blink_ms": 40}])
    host.wait(0.05)
    assert host.convert()[:2] == b"\x50\x01"  # 21 degC
    host.port.close()
    host.port.open()
    host.wait(0.035)
    assert host.bench.core.wiring.rail_v == 0
    host.wait(0.01)
    assert host.ask(b"\xcc\xbe", 2) == b"\x50\x05"


def test_f34_second_master(make_host: MakeHost) -> None:
    """Listening for 10 s: a reset with presence and 72 slots that were not sent, twice."""
    master = {"kind": "other-master", "period_s": 7.3, "at_s": 1.0}
    host = make_host(THERMOMETER, faults=[master])
    host.port.baudrate = 115_200
    trace = host.bench.record_trace()
    host.port.timeout = 10.0
    heard = host.port.read(1000)
    host.bench.stop_trace()
    lows = trace.lows(1.5)
    resets = [low for low in lows if low.length_us > 480]
    assert len(lows) == 2 * (1 + 1 + 72)
    assert resets[1].start_us - resets[0].start_us == pytest.approx(7.3e6)
    assert 70 < len(heard) < 2 * 74


def test_f25_second_controller_that_matches(make_host: MakeHost) -> None:
    """F25: another controller's match, slot by slot, toggles a switch 05h; one bit less not."""
    switch = {"family": 0x05, "serial": 0x77}
    rom = RomCode.build(0x05, 0x77)
    for code, toggles in ((rom.wire, 3), (rom.wire[:-1] + b"\x00", 0)):
        master = {
            "kind": "other-master",
            "period_s": 2.0,
            "at_s": 1.0,
            "sends": (b"\x55" + code).hex(),
        }
        host = make_host(switch, faults=[master])
        host.port.baudrate = 115_200
        host.port.timeout = 6.0
        host.port.read(10_000)
        device: Any = host.bench.stations[0].device
        assert device.toggles == toggles


def test_f34_part_that_signals(make_host: MakeHost) -> None:
    """One break of 2 ms on the idle line, then the presence of all."""
    signal = {"kind": "signalling-part", "low_us": 2000, "at_s": 0.5}
    host = make_host(THERMOMETER, faults=[signal])
    trace = host.bench.record_trace()
    host.port.timeout = 1.0
    heard = host.port.read(10)
    host.bench.stop_trace()
    call, presence = trace.lows(1.5)
    assert call.length_us == pytest.approx(2000, abs=1)
    assert 60 <= presence.length_us <= 240
    assert heard[:1] == b"\x00"


def test_f34_stretched_reset(make_host: MakeHost) -> None:
    """The reset goes on for 2 ms: 00h, then presence as a character of its own."""
    stretched = {"kind": "stretched-reset", "device": "A1", "low_us": 2000}
    device = THERMOMETER | {"time_base": {"reset_min_us": 300}}
    host = make_host(device, faults=[stretched])
    trace = host.bench.record_trace()
    shown = echo(host, 0xF0, baud=9600)
    host.bench.stop_trace()
    low = trace.lows(1.5)[0]
    assert low.length_us == pytest.approx(300 + 2000, abs=2)
    assert shown[:1] == b"\x00"
    assert len(shown) == 2
