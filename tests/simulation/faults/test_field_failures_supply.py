"""Supply: faults of public reports, retold, on the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.wire.crc import crc16_sent

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def thermometer(serial: int = 1, **more: object) -> dict[str, Any]:
    """A thermometer at 25.0625 degC in socket A<serial>."""
    given = {"family": 0x28, "serial": serial, "temperature_degc": 25.0625}
    return {**given, "socket": f"A{serial}", "conversion_ms": 600, **more}


def ask_one(host: Host, index: int, command: int, count: int) -> bytes:
    """Match one device, command, answer."""
    rom = host.bench.stations[index].device.rom
    return host.ask(b"\x55" + rom.wire + bytes([command]), count)


@pytest.mark.parametrize(
    ("ohm", "active_ma", "volts", "raw"),
    [(4700, 1.0, 0.3, b"\x50\x05"), (1000, 1.5, 3.5, b"\x91\x01")],
)
def test_f18_no_strong_pull_up(
    make_host: MakeHost, ohm: float, active_ma: float, volts: float, raw: bytes
) -> None:
    """1 mA through 4.7 kohm leaves 0.3 V: 85.00; 1.5 mA through 1 kohm leave 3.5 V."""
    assert 5 - ohm * active_ma / 1000 == pytest.approx(volts)
    device = thermometer(supply="parasite", active_ma=active_ma)
    host = make_host(device, line={"pull_up_ohm": ohm})
    assert host.convert()[:2] == raw


def test_f19_broken_supply_wire(make_host: MakeHost) -> None:
    """Broadcast power query reads 0; singly 1 1 0 1 1; number 3 shows 85.00."""
    broken = {"kind": "supply-lead-open", "device": "A3"}
    devices = [thermometer(serial) for serial in range(1, 6)]
    host = make_host(*devices, faults=[broken])
    assert host.ask(b"\xcc\xb4", 1)[0] & 1 == 0
    singly = [ask_one(host, index, 0xB4, 1)[0] & 1 for index in range(5)]
    assert singly == [1, 1, 0, 1, 1]
    host.ask(b"\xcc\x44")
    host.wait(0.8)
    raw = [ask_one(host, index, 0xBE, 2) for index in range(5)]
    assert raw == [b"\x91\x01"] * 2 + [b"\x50\x05"] + [b"\x91\x01"] * 2


def test_f19_mended_wire(make_host: MakeHost) -> None:
    """With the wire whole again the device says so, and has lost nothing by it."""
    broken = {"kind": "supply-lead-open", "device": "A1", "at_s": 1.0, "for_s": 0.5}
    host = make_host(thermometer(), faults=[broken])
    host.convert()
    answers = []
    for moment_s in (0.95, 1.2, 1.6):
        host.wait(moment_s - host.port.clock.now_s())
        answers.append(host.ask(b"\xcc\xb4", 1)[0] & 1)
    assert answers == [1, 0, 1]
    assert host.ask(b"\xcc\xbe", 2) == b"\x91\x01"


def test_f20_brown_out_values_wander(make_host: MakeHost) -> None:
    """20 on the bus: 5 V - 20 mA * 120 ohm = 2.6 V; a fifth is off by up to 8 K."""
    devices = [
        thermometer(
            serial,
            supply="parasite",
            active_ma=1.0,
            starved_result="wander",
            starved_share=0.2,
        )
        for serial in range(20)
    ]
    line = {"pull_up_ohm": 120}
    host = make_host(*devices, line=line, adapter={"low_ohm": 1, "low_v": 0.05})
    host.ask(b"\xcc\x44")
    host.wait(0.3)
    assert host.bench.core.wiring.line.volts == pytest.approx(2.6)
    off = 0
    for _ in range(5):
        host.ask(b"\xcc\x44")
        host.wait(0.8)
        for index in range(20):
            raw = int.from_bytes(ask_one(host, index, 0xBE, 2), "little", signed=True)
            assert abs(raw / 16 - 25.0625) < 8.1
            off += raw != 0x191
    assert 8 < off < 36  # a fifth of 100


def test_f21_dip_reloads_stored_settings(make_host: MakeHost) -> None:
    """1 ms: alarms and resolution are the stored ones again, the wait is too short."""
    dip = {"kind": "supply-dip", "device": "A1", "for_s": 0.001, "at_s": 0.5}
    device = thermometer(temperature_degc=26.5)
    host = make_host(device, faults=[dip])
    host.ask(b"\xcc\x4e\x1e\x0a\x1f")
    block = host.convert(wait_s=0.094)
    assert (block[0] & 0xF8, block[1:6]) == (0xA8, b"\x01\x1e\x0a\x1f\xff")
    host.wait(0.6 - host.port.clock.now_s())
    assert host.ask(b"\xcc\xbe", 9).hex() == "50054b467fff0c101c"
    assert host.convert(wait_s=0.094).hex() == "50054b467fff0c101c"


def test_f21_write_cut_short(make_host: MakeHost) -> None:
    """Two bytes of three: the third is anything, though its fixed bits hold."""
    host = make_host(thermometer())
    host.ask(b"\xcc\x4e\x1e\x0a")
    block = host.ask(b"\xcc\xbe", 9)
    assert block[2:4] == b"\x1e\x0a"
    assert block[4] & 0x9F == 0x1F


ROW = bytes.fromhex("1122334455667788")
EEPROM = {"family": 0x2D, "serial": 7, "supply_node": {"brown_out_v": 1.5}}


def copy_row(host: Host) -> tuple[bytes, int, int]:
    """Write, check and copy row 0020h: write check, end byte, status after."""
    host.ask(b"\xcc\x0f\x20\x00" + ROW)
    check = host.read(2)
    assert host.ask(b"\xcc\xaa", 3) == b"\x20\x00\x07"
    host.ask(b"\xcc\x55\x20\x00\x07")
    host.wait(0.02)
    end = host.read(1)[0]
    return check, end, host.ask(b"\xcc\xaa", 3)[2]


def test_f22_checks_of_the_facts() -> None:
    """Write check 2F CA; check of the read-back 08 9D at status 07."""
    sent = b"\x0f\x20\x00" + ROW
    assert crc16_sent(sent).hex() == "2fca"
    assert crc16_sent(b"\xaa\x20\x00\x07" + ROW).hex() == "089d"
    assert crc16_sent(b"\xaa\x20\x00\x27" + ROW).hex() == "915c"


def test_f22_dip_while_cells_are_written(make_host: MakeHost) -> None:
    """Line at 2.0 V, 3 ms into the store: status 27, end byte FF, old and new mixed.

    2.8 V behind 1 kohm that carry 0.8 mA.
    """
    dip = {"kind": "supply-dip", "to_v": 2.8, "for_s": 0.002}
    when = {"command": 0x55, "layer": "function", "slot": 24, "wait_ms": 3, "times": 1}
    host = make_host(EEPROM, line={"pull_up_ohm": 1000}, faults=[dip | {"when": when}])
    check, end, status = copy_row(host)
    assert (check.hex(), end, status) == ("2fca", 0xFF, 0x27)
    held = host.ask(b"\xcc\xf0\x20\x00", 8)
    assert held not in {ROW, b"\xff" * 8}
    assert all(byte in {new, 0xFF} for byte, new in zip(held, ROW, strict=True))
    check, end, status = copy_row(host)  # the dip is over
    assert (check.hex(), end, status & 0x7F) == ("2fca", 0xAA, 0x07)
    assert host.ask(b"\xcc\xf0\x20\x00", 8) == ROW


def test_whole_bench_dips(make_host: MakeHost) -> None:
    """Without a device named the bench's supply dips, and the line with it."""
    dip = {"kind": "supply-dip", "to_v": 1.0, "at_s": 1.0, "for_s": 0.01}
    host = make_host(thermometer(), thermometer(2), faults=[dip])
    host.ask(b"\xcc\x44")
    host.wait(1.005 - host.port.clock.now_s())
    assert host.bench.core.wiring.line.volts == pytest.approx(1.0)
    host.wait(0.1)
    assert [ask_one(host, index, 0xBE, 2) for index in (0, 1)] == [b"\x50\x05"] * 2


def test_shallow_dip_spoils_a_conversion_only(make_host: MakeHost) -> None:
    """To 2.5 V, between brown-out and what a conversion needs: the old result stays."""
    dip = {"kind": "supply-dip", "device": "A1", "to_v": 2.5, "at_s": 1.0}
    host = make_host(thermometer(drift_degc_per_h=900), faults=[dip | {"for_s": 0.5}])
    before = host.convert()
    host.wait(0.95 - host.port.clock.now_s())
    assert host.convert()[:4] == before[:4]
    assert host.convert()[:2] != before[:2]


def test_series_resistance_of_the_supply_lead(make_host: MakeHost) -> None:
    """1 kohm in the lead: 5 V - 2.5 mA * 1 kohm = 2.5 V is no supply to convert on."""
    lead = {"series_ohm": 1000}
    weak = thermometer(1, supply_pin=lead, active_ma=2.5)
    well = thermometer(2, supply_pin=lead, active_ma=1.0)
    host = make_host(weak, well)
    host.ask(b"\xcc\x44")
    host.wait(0.8)
    assert ask_one(host, 0, 0xBE, 2) == b"\x50\x05"
    assert ask_one(host, 1, 0xBE, 2) == b"\x91\x01"
