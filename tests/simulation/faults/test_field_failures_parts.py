"""Other kinds of device, and thresholds that do not follow: faults of public reports, retold, on the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost


def test_f23_flags_change_only_at_a_conversion(make_host: MakeHost) -> None:
    """35 degC, upper alarm lowered from 40 to 30: no alarm until the next conversion."""
    hot = {"family": 0x28, "serial": 1, "temperature_degc": 35.0, "alarm_low_degc": 0}
    host = make_host(hot)
    host.ask(b"\xcc\x4e\x28\x00\x7f")
    host.convert()
    host.ask(b"\xcc\x4e\x1e\x00\x7f")
    host.ask(b"\xec")
    assert host.bits(b"\xff\xff") == [1, 1]
    host.convert()
    assert host.search(0xEC) == [str(host.bench.stations[0].device.rom)]


@pytest.mark.parametrize(("held", "status"), [(["a"], 0x1E), ([], 0x0F)])
def test_f24_pin_and_latch_are_two_things(
    make_host: MakeHost, held: list[str], status: int
) -> None:
    """Latch of A off, pin A held low, B idle: 1Eh, halves inverse to each other."""
    host = make_host({"family": 0x3A, "serial": 1, "held_low": held})
    answer = host.ask(b"\xcc\xf5", 1)[0]
    assert answer == status
    assert (answer ^ answer >> 4) & 0x0F == 0x0F


def test_f25_looking_toggles(make_host: MakeHost) -> None:
    """Three addressed reads: the output ends inverted."""
    host = make_host({"family": 0x05, "serial": 1})
    rom = host.bench.stations[0].device.rom
    answers = [host.ask(b"\x55" + rom.wire, 1) for _ in range(3)]
    assert answers == [b"\x00", b"\xff", b"\x00"]
    host.search()
    host.ask(b"\x55" + rom.wire)
    assert host.ask(b"\xf0", 1)[0] & 0x03 == 0x01  # search alone toggles nothing


def test_f26_logger_with_its_oscillator_off(make_host: MakeHost) -> None:
    """Twenty minutes on, its clock shows the same; one that runs shows twenty more."""

    def clock(**more: object) -> tuple[bytes, bytes]:
        host = make_host({"family": 0x21, "serial": 1, **more})
        before = host.ask(b"\xcc\xf0\x00\x02", 3)
        host.wait(1200)
        return before, host.ask(b"\xcc\xf0\x00\x02", 3)

    stopped, running = clock(oscillator_on=False), clock()
    assert stopped[0] == stopped[1]
    assert (running[0][1], running[1][1]) == (0x00, 0x20)  # BCD minutes


def test_f26_drift_in_a_month(make_host: MakeHost) -> None:
    """-22 ppm are 57 s in 30 days."""
    month_s = 30 * 86_400
    assert month_s * 22e-6 == pytest.approx(57, abs=0.1)
    host = make_host({"family": 0x21, "serial": 1, "clock_ppm": -22})
    host.wait(month_s - host.port.clock.now_s())
    second, minute, hour = host.ask(b"\xcc\xf0\x00\x02", 3)
    # a bench second or two has passed besides
    assert (hour, minute) == (0x23, 0x59)
    assert 0x02 <= second <= 0x04


def test_f27_offset_of_the_current(make_host: MakeHost) -> None:
    """+3 at 0 A and 25 milliohm are 29 mA, or 0.70 Ah a day; trim FFE8h takes it off."""
    # one count is 1 V / 4096 over the resistor (data sheet DS2438 p. 6-10)
    offset_a = 3 / (4096 * 0.025)
    assert offset_a == pytest.approx(0.029, abs=0.0005)
    assert offset_a * 24 == pytest.approx(0.70, abs=0.005)
    assert ((-3 << 3) & 0xFFFF).to_bytes(2, "little") == b"\xe8\xff"
    monitor = {"family": 0x26, "serial": 1, "offset_counts": 3, "sense_mohm": 25}
    host = make_host(monitor)

    def raw() -> int:
        host.ask(b"\xcc\xb8\x00")
        page = host.ask(b"\xcc\xbe\x00", 9)
        return int.from_bytes(page[5:7], "little", signed=True)

    assert raw() == 3
    host.ask(b"\xcc\xb8\x01")
    page = bytearray(host.ask(b"\xcc\xbe\x01", 9)[:8])
    page[5:7] = b"\xe8\xff"
    host.ask(b"\xcc\x4e\x01" + page)
    host.ask(b"\xcc\x48\x01")
    host.wait(0.02)
    assert raw() == 0


FAST: dict[str, Any] = {
    "family": 0x2D,
    "serial": 1,
    "socket": "A1",
    "time_base": {"reset_min_us": 476},
    "overdrive_times": {
        "presence_wait_us": 4,
        "presence_low_us": 12,
        "reset_max_us": 100,
        "between": "nothing",
    },
}


@pytest.mark.parametrize("error_ppm", [0, 100_000])
def test_f28_left_in_overdrive(make_host: MakeHost, error_ppm: int) -> None:
    """A reset of 473 us leaves it fast, one of 521 us brings it back.

    While it is fast each written 0 (78 us) is a reset to it: low again 4 us after the
    release, for 12 us.
    """
    assert 520.8 / (1 + error_ppm * 1e-6) < 476 or not error_ppm
    fault = {"kind": "left-in-overdrive", "device": "A1", "at_s": 0.1}
    adapter = {"error_ppm": error_ppm, "kind": "exact"}
    host = make_host(FAST, faults=[fault], adapter=adapter)
    host.wait(0.2)
    host.exchange(b"\xf0", baud=9600)
    host.wait(0.01)
    trace = host.bench.record_trace()
    host.exchange(b"\x00", baud=115_200)
    host.bench.stop_trace()
    lows = trace.lows(1.5)
    assert host.bench.stations[0].device.fast == bool(error_ppm)
    assert len(lows) == 1 + bool(error_ppm)
    if error_ppm:
        zero, presence = lows
        # between the thresholds of device and receiver lie tenths of a microsecond
        assert presence.start_us - zero.end_us == pytest.approx(4, abs=0.5)
        assert presence.length_us == pytest.approx(12, abs=0.5)
