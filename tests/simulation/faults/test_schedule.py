"""What each fault does, seen from the port."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import serial
from pydantic import TypeAdapter

from harness.simulation.faults.effects import EFFECTS
from harness.simulation.faults.settings import FaultSettings
from harness.wire.crc import crc8

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

THERMOMETER = {
    "family": 0x28,
    "serial": 0xA4B3C2D1,
    "socket": "A1",
    "temperature_degc": 25.0625,
    "time_base": {"presence_wait_us": 30, "presence_low_us": 120},
}
OTHER = {"family": 0x28, "serial": 5, "socket": "A2", "temperature_degc": 4}


def fault(kind: str, **more: object) -> FaultSettings:
    """A fault as a fixture would name it."""
    made: FaultSettings = TypeAdapter(FaultSettings).validate_python(
        {"kind": kind, **more}
    )
    return made


def echo_of(host: Host, byte: int, *, baud: int = 115_200) -> bytes:
    """All characters that come back for one."""
    host.wait(0.01)
    host.port.baudrate = baud
    host.port.timeout = 0.05
    host.port.write(bytes([byte]))
    echo: bytes = host.port.read(5)
    return echo


def test_every_fault_of_the_settings_has_an_effect() -> None:
    """No kind can be written into a fixture and then do nothing."""
    union = TypeAdapter(FaultSettings).json_schema()
    assert len(union["oneOf"]) == len(EFFECTS)


def test_shorted_line_gives_one_zero_then_silence(make_host: MakeHost) -> None:
    """The receiver sees the edge once; afterwards nothing comes, and all is well again."""
    host = make_host(THERMOMETER)
    short = host.bench.faults.start(fault("line-shorted"))
    host.port.timeout = 0.05
    assert host.port.read(5) == b"\x00"
    assert echo_of(host, 0xFF) == b""
    short.stop()
    host.wait(0.01)
    assert host.convert()[:2] == b"\x91\x01"


def test_line_stuck_high_hides_host_and_devices(make_host: MakeHost) -> None:
    """A tie to the supply wins over the host's stage: everything reads FF."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("line-stuck-high"))
    assert echo_of(host, 0x00) == b""
    assert echo_of(host, 0xF8, baud=7800) == b""


def test_absent_device(make_host: MakeHost) -> None:
    """No presence while it is away; it announces itself when it is back."""
    host = make_host(THERMOMETER)
    away = host.bench.faults.start(fault("device-absent", device="A1"))
    host.wait(0.01)
    assert host.reset() == 0xF8
    away.stop()
    host.port.timeout = 0.05
    assert len(host.port.read(5)) == 1  # presence of its power-up
    assert host.ask(b"\xcc\xbe", 2) == b"\x50\x05"


def test_dropped_device_loses_what_was_not_stored(make_host: MakeHost) -> None:
    """A lead that comes loose in the middle of a read: ones, then power-on values."""
    host = make_host(
        THERMOMETER,
        faults=[{"kind": "device-drops-off", "device": "A1", "at_s": 2, "for_s": 1}],
    )
    assert host.convert()[:2] == b"\x91\x01"
    host.wait(2.1 - host.port.clock.now_s())
    assert host.reset() == 0xF8
    host.wait(1.0)
    assert host.ask(b"\xcc\xbe", 2) == b"\x50\x05"


def test_loose_data_lead_keeps_the_supply(make_host: MakeHost) -> None:
    """Three wires, one loose: the result survives."""
    host = make_host(THERMOMETER)
    host.convert()
    loose = host.bench.faults.start(
        fault("device-drops-off", device="A1", contact="data")
    )
    host.wait(0.1)
    assert host.reset() == 0xF8
    loose.stop()
    host.wait(0.01)
    assert host.ask(b"\xcc\xbe", 2) == b"\x91\x01"


def test_late_presence(make_host: MakeHost) -> None:
    """100 us after release is behind the first sample of F8h at 7800 baud."""
    host = make_host(THERMOMETER)
    assert host.reset() == 0xF0  # bit 3 sampled at +64 us
    late = host.bench.faults.start(fault("presence-late", wait_us=100))
    assert host.reset() & 0x18 == 0x08  # bit 3 high, bit 4 low
    late.stop()
    assert host.reset() == 0xF0


def test_long_presence(make_host: MakeHost) -> None:
    """A low until +430 us covers the samples at +64, +192 and +321 us."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("presence-long", low_us=400))
    assert host.reset() == 0xC0


def test_weak_pull_up_slows_the_edge(make_host: MakeHost) -> None:
    """47 kohm make ones read as zeros."""
    host = make_host(line={"cable_m": 50})
    weak = host.bench.faults.start(fault("weak-pull-up"))
    assert echo_of(host, 0xFF)[0] < 0xFF
    weak.stop()
    assert echo_of(host, 0xFF) == b"\xff"


def test_extra_capacitance_slows_the_edge(make_host: MakeHost) -> None:
    """5 nF more at 4.7 kohm: FE (public reports, retold)."""
    host = make_host()
    more = host.bench.faults.start(fault("extra-capacitance", extra_nf=5))
    assert echo_of(host, 0xFF) == b"\xfe"
    more.stop()
    assert echo_of(host, 0xFF) == b"\xff"


def test_bit_flips_hit_their_share(make_host: MakeHost) -> None:
    """One slot in ten, both ways; the same seed gives the same ones."""

    def echoes() -> bytes:
        host = make_host()
        host.bench.faults.start(fault("bit-flips", probability=0.1))
        return host.exchange(b"\xff\x00" * 500, baud=142_857)

    first = echoes()
    assert first == echoes()
    ones, zeros = first[0::2], first[1::2]
    down = sum(not echo & 1 for echo in ones)
    up = sum(echo & 1 for echo in zeros)
    assert 10 < down < 45  # half of the spikes point the way that matters
    assert 10 < up < 45


def test_noise_burst_has_its_time(make_host: MakeHost) -> None:
    """Errors inside the burst, none before and after (public reports, retold)."""
    burst = {"kind": "noise-burst", "at_s": 1, "for_s": 0.5, "rate_per_s": 5000}
    host = make_host(faults=[burst])

    def errors() -> int:
        sent = b"\xff\x00" * 400
        echoes = host.exchange(sent, baud=115_200)
        lost = len(sent) - len(echoes)
        return lost + sum(a != b for a, b in zip(echoes, sent, strict=False))

    assert errors() == 0
    host.wait(1.1 - host.port.clock.now_s())
    assert errors() > 10
    host.wait(0.6)
    assert errors() == 0


def test_noise_comes_again(make_host: MakeHost) -> None:
    """``every_s`` repeats a fault."""
    weak = {"kind": "weak-pull-up", "at_s": 1, "for_s": 0.5, "every_s": 2}
    host = make_host(line={"cable_m": 50}, faults=[weak])
    bad = []
    for moment_s in (0.5, 1.2, 1.7, 3.2, 3.7, 5.2):
        host.wait(moment_s - host.port.clock.now_s())
        bad.append(host.exchange(b"\xff", baud=115_200) != b"\xff")
    assert bad == [False, True, False, True, False, True]


def test_duplicate_rom(make_host: MakeHost) -> None:
    """Two devices, one code: a search finds one."""
    host = make_host(THERMOMETER, OTHER)
    assert len(host.search()) == 2
    double = host.bench.faults.start(fault("duplicate-rom", device="A2", original="A1"))
    assert host.search() == [str(host.bench.station("A1").device.rom)]
    double.stop()
    assert len(host.search()) == 2


def test_wrong_rom_crc(make_host: MakeHost) -> None:
    """The code arrives whole and its check byte is wrong."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("wrong-rom-crc", flip=0x10))
    code = host.ask(b"\x33", 8)
    assert code.hex() == "28d1c2b3a400002d"
    assert crc8(code) != 0


def test_zero_rom(make_host: MakeHost) -> None:
    """Eight zero bytes, whose check byte is right."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("zero-rom", device="A1"))
    assert host.ask(b"\x33", 8) == bytes(8)


def test_stuck_at_power_on(make_host: MakeHost) -> None:
    """+85 degC after each conversion, and the volatile registers are gone too."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("stuck-at-power-on", device="A1"))
    host.ask(b"\xcc\x4e\x11\x22\x7f")
    assert host.convert() == bytes.fromhex("50054b467fff0c101c")


def test_wrong_reserved_bytes(make_host: MakeHost) -> None:
    """The bytes named differ; the check byte is right."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("wrong-reserved-bytes", values={5: 0, 7: 0xAA}))
    pad = host.convert()
    assert (pad[5], pad[7], crc8(pad)) == (0, 0xAA, 0)


def test_adapter_without_echo(make_host: MakeHost) -> None:
    """The receive line is open: nothing comes, and the devices are well."""
    host = make_host(THERMOMETER)
    silent = host.bench.faults.start(fault("adapter-no-echo"))
    assert echo_of(host, 0xFF) == b""
    silent.stop()
    host.port.timeout = 1.0
    assert host.convert()[:2] == b"\x91\x01"


def test_adapter_drops_bytes(make_host: MakeHost) -> None:
    """Fewer echoes than characters (public reports, retold)."""
    host = make_host()
    host.bench.faults.start(fault("adapter-drops-bytes", probability=0.02))
    assert 460 < len(host.exchange(b"\xff" * 512, baud=115_200)) < 512


def test_latency_jitter(make_host: MakeHost) -> None:
    """Some packets are late by up to 30 ms, none is lost, none overtakes."""
    host = make_host()
    host.bench.faults.start(fault("latency-jitter", extra_ms=30, probability=0.2))
    took_s = []
    for value in range(100):
        before_s = host.port.clock.now_s()
        byte = (0xFF << value % 8) & 0xFF
        assert host.exchange(bytes([byte]), baud=115_200) == bytes([byte])
        took_s.append(host.port.clock.now_s() - before_s)
    late = sum(taken_s > 0.005 for taken_s in took_s)
    assert 5 < late < 40
    assert max(took_s) < 0.035


def test_unplugging_kills_the_handle(make_host: MakeHost) -> None:
    """Each call fails as a real port's does; after a new open all is well."""
    host = make_host(
        THERMOMETER, faults=[{"kind": "adapter-unplugged", "at_s": 1, "for_s": 2}]
    )
    assert host.convert()[:2] == b"\x91\x01"
    host.port.clock.sleep(1)
    port = host.port
    with pytest.raises(serial.SerialException, match="returned no data"):
        port.read(1)
    with pytest.raises(serial.SerialException, match="Errno 5"):
        port.write(b"\xff")
    with pytest.raises(OSError, match="5"):
        _ = port.in_waiting
    port.close()
    with pytest.raises(serial.SerialException) as absent:
        port.open()
    assert absent.value.errno == 2
    port.clock.sleep(2)
    port.open()
    assert host.convert()[:2] == b"\x91\x01"


def test_unplugged_in_the_middle_of_a_burst(make_host: MakeHost) -> None:
    """A read that waits wakes up when the adapter goes, and the line is let go."""
    host = make_host(THERMOMETER, faults=[{"kind": "adapter-unplugged", "at_s": 0.1}])
    host.wait(0.09 - host.port.clock.now_s())
    before_s = host.port.clock.now_s()
    host.port.write(b"\x00" * 2000)
    with pytest.raises(serial.SerialException, match="returned no data"):
        host.port.read(2000)
    assert host.port.clock.now_s() - before_s < 0.02
    assert not host.bench.core.wiring.host_low


def test_old_handle_stays_dead_after_replug(make_host: MakeHost) -> None:
    """Plugging in again does not revive an open handle."""
    host = make_host(THERMOMETER)
    host.bench.faults.start(fault("adapter-unplugged")).stop()
    with pytest.raises(serial.SerialException):
        host.port.read(1)
