"""Model of the temperature logger 21h against worked transactions.

They are computed from register map and command rules of data sheet DS1921G p. 10-17,
byte for byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def hexed(text: str) -> bytes:
    """Bytes of a worked transaction."""
    return bytes.fromhex(text)


def logger(**more: object) -> dict[str, Any]:
    """A logger on the line."""
    return {"family": 0x21, "serial": 0x1A2B3C, **more}


def model(host: Host) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return host.bench.stations[0].device


def write(host: Host, staged: str, copied: str) -> None:
    """One line of the procedure: scratchpad, its read-back, copy and its end."""
    host.ask(hexed(f"CC 0F {staged}"))
    data = hexed(staged)
    authorised = hexed(copied)
    wanted = authorised[1:4] + data[2:]
    assert host.ask(hexed("CC AA"), len(wanted)) == wanted
    host.ask(b"\xcc" + authorised)
    assert host.read(1)[0] in {0xAA, 0x55}


def arm(host: Host) -> None:
    """Clock, clear, search bits: the procedure up to the start."""
    write(host, "14 02 00", "55 14 02 14")
    write(host, "00 02 00 30 12 01 15 09 25", "55 00 02 06")
    host.ask(hexed("CC 0F 0E 02 40"))
    host.ask(hexed("CC 55 0E 02 0E"))
    host.ask(hexed("CC 3C"))
    host.wait(0.0005)
    write(host, "0E 02 06 00 00 00 00 00 00", "55 0E 02 14")


def registers(host: Host) -> bytes:
    """The register page, its CRC-16 held against crccheck's."""
    page = host.ask(hexed("CC A5 00 02"), 34)
    check = crc_16(hexed("A5 00 02") + page[:32]).to_bytes(2, "little")
    assert page[32:] == check
    return page[:32]


def test_worked_mission(make_host: MakeHost) -> None:
    """Start at 12:30; samples 25.5, 26.0, 27.0 degC; registers and log as printed."""
    host = make_host(logger())
    arm(host)
    write(host, "0B 02 46 82 01", "55 0B 02 0D")
    assert registers(host)[0x14] == 0xA0
    for degc in (25.5, 26.0, 27.0):
        model(host).temperature_degc = degc
        host.wait(60)
    page = registers(host)
    assert page[0x0B:0x11] == hexed("46 82 01 06 00 00")
    assert page[0x14] == 0xA2
    assert page[0x15:0x1D] == hexed("30 12 15 09 25 03 00 00")
    log = host.ask(hexed("CC A5 00 10"), 68)
    assert log == hexed("83 84 86" + "00" * 29 + "6B B4" + "00" * 32 + "FF FF")
    bins = host.ask(hexed("CC A5 40 08"), 10)
    assert bins == hexed("01 00 02 00 00 00 00 00 00 00")
    assert host.ask(hexed("CC A5 50 02"), 4) == hexed("01 00 00 03")


def test_write_to_a_setting_ends_the_mission(make_host: MakeHost) -> None:
    """0200-0213 end it, 0214 with its bits kept does not (data sheet p. 23)."""
    host = make_host(logger())
    arm(host)
    write(host, "0B 02 46 82 01", "55 0B 02 0D")
    write(host, "14 02 27", "55 14 02 14")
    assert registers(host)[0x14] & 0x20
    write(host, "0B 02 46", "55 0B 02 0B")
    assert not registers(host)[0x14] & 0x20


@pytest.mark.parametrize(
    ("staged", "copied"),
    [("0E 02 80", "55 0E 02 0E"), ("0E 02 10", "55 0E 02 0E"), ("", "")],
)
def test_no_start(make_host: MakeHost, staged: str, copied: str) -> None:
    """Oscillator off: flag set and no sample; EM set or memory not clear: no flag."""
    host = make_host(logger())
    if staged:
        arm(host)
        write(host, staged, copied)
    write(host, "0B 02 46 82 01", "55 0B 02 0D")
    host.wait(1200)
    page = registers(host)
    assert bool(page[0x14] & 0x20) == (staged == "0E 02 80")
    assert page[0x1A] == 0


def test_clear_must_come_at_once(make_host: MakeHost) -> None:
    """Any command between the enabling copy and 3Ch calls it off."""
    host = make_host(logger())
    host.ask(hexed("CC 0F 0E 02 40"))
    host.ask(hexed("CC 55 0E 02 0E"))
    host.ask(hexed("CC AA"), 3)
    host.ask(hexed("CC 3C"))
    host.wait(0.0005)
    assert not registers(host)[0x14] & 0x40


def test_log_stops_when_full(make_host: MakeHost) -> None:
    """RO 0 keeps the first 2048 samples, RO 1 overwrites from 1000h on."""
    for control, first in (("06", 0x80), ("0E", 0x90)):
        host = make_host(logger(temperature_degc=24))
        arm(host)
        write(host, f"0E 02 {control} 00 00 00 00 00 00", "55 0E 02 14")
        write(host, "0B 02 00 FF 01", "55 0B 02 0D")
        device = model(host)
        device.registers[0x1A:0x1D] = (2048).to_bytes(3, "little")
        device.log[0] = 0x80
        device.temperature_degc = 32
        host.wait(61)
        assert host.ask(hexed("CC F0 00 10"), 1)[0] == first


def test_forced_conversion(make_host: MakeHost) -> None:
    """Busy, then the value at 0211h and one more sample in the lifetime."""
    host = make_host(logger(temperature_degc=-5))
    before = registers(host)
    host.ask(hexed("CC 44"))
    assert not registers(host)[0x14] & 0x80
    host.wait(0.1)
    after = registers(host)
    assert after[0x11] == 0x46
    assert after[0x1D] == before[0x1D] + 1


@pytest.mark.parametrize(("code", "raw"), [(0x3B2, 0x2C), (0x000, 0x50)])
def test_range_by_rom_code(make_host: MakeHost, code: int, raw: int) -> None:
    """0 degC is 2Ch on the Z kind (data sheet p. 39), 50h on the wide one."""
    host = make_host(logger(serial=code << 36 | 1, temperature_degc=0))
    host.ask(hexed("CC 44"))
    host.wait(0.1)
    assert registers(host)[0x11] == raw


def test_clock_runs_and_stops(make_host: MakeHost) -> None:
    """A minute passes; with the oscillator off none does."""
    host = make_host(logger())
    write(host, "00 02 30 59 23 03 31 12 25", "55 00 02 06")
    host.wait(60)
    assert registers(host)[:7] == hexed("30 00 00 04 01 01 26")
    write(host, "0E 02 80", "55 0E 02 0E")
    held = registers(host)[:7]
    host.wait(60)
    assert registers(host)[:7] == held


def test_zeros_beyond_the_end(make_host: MakeHost) -> None:
    """F0h goes on with 00h."""
    host = make_host(logger())
    assert host.ask(hexed("CC F0 FF 1F"), 4) == bytes(4)
