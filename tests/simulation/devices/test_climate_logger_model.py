"""Model of the logger 41h against worked transactions.

They are computed from register map and command rules of data sheets DS1922L/T p. 18-25
and DS1923 p. 14-24, byte for byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_8, crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

NO = "FF" * 8
SETUP = (
    "00 30 12 15 09 25 0A 00 52 5C 00 FF FF FF FF FF 00 FC 03 CF FF FF 00 00 00 "
    "FF FF FF FF FF FF FF"
)


def hexed(text: str) -> bytes:
    """Bytes of a worked transaction."""
    return bytes.fromhex(text)


def logger(**more: object) -> dict[str, Any]:
    """A logger on the line."""
    return {"family": 0x41, "serial": 0x2C5D8E, **more}


def model(host: Host) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return host.bench.stations[0].device


def registers(host: Host) -> bytes:
    """Both register pages, their CRC-16 held against crccheck's."""
    answer = host.ask(hexed(f"CC 69 00 02 {NO}"), 68)
    first, second = answer[:32], answer[34:66]
    check = crc_16(hexed("69 00 02") + first)
    assert answer[32:34] == check.to_bytes(2, "little")
    assert answer[66:] == crc_16(second).to_bytes(2, "little")
    return first + second


def arm(host: Host) -> None:
    """Stop, clear, setup page as worked."""
    host.ask(hexed(f"CC 33 {NO} FF"))
    host.ask(hexed(f"CC 96 {NO} FF"))
    assert registers(host)[0x15] == 0xC8
    assert host.ask(hexed(f"CC 0F 00 02 {SETUP}"), 2) == hexed("A5 FA")
    assert host.ask(hexed("CC AA"), 37) == hexed(f"00 02 1F {SETUP} E1 68")
    host.ask(hexed(f"CC 99 00 02 1F {NO}"))
    assert host.read(2) == hexed("AA AA")


def test_worked_mission(make_host: MakeHost) -> None:
    """25.1875 and 25.25 degC, 10 s apart: status C2, log with CRC 37 10, then C0."""
    host = make_host(logger(temperature_degc=25.1875))
    arm(host)
    host.ask(hexed(f"CC CC {NO} FF"))
    assert registers(host)[0x15] == 0xC2
    host.wait(5)
    model(host).temperature_degc = 25.25
    host.wait(10)
    host.ask(hexed(f"CC 33 {NO} FF"))
    page = registers(host)
    assert page[0x15] == 0xC0
    assert page[0x19:0x23] == hexed("00 30 12 15 09 25 00 02 00 00")
    log = host.ask(hexed(f"CC 69 00 10 {NO}"), 34)
    assert log == hexed("84 60 84 80" + "00" * 28 + "37 10")


def test_humidity_log(make_host: MakeHost) -> None:
    """60.97 %RH is 90 50 (DS1923 p. 16), in the second half of the log."""
    host = make_host(logger(humidity_rh=60.97))
    arm(host)
    host.ask(hexed(f"CC CC {NO} FF"))
    host.wait(5)
    assert host.ask(hexed(f"CC 69 00 20 {NO}"), 2) == hexed("90 50")


def test_setup_is_closed_in_a_mission(make_host: MakeHost) -> None:
    """A copy is refused with ones; user RAM stays open."""
    host = make_host(logger())
    arm(host)
    host.ask(hexed(f"CC CC {NO} FF"))
    for address, answer in (("00 02", "FF"), ("00 00", "AA")):
        host.ask(hexed(f"CC 0F {address} 11"))
        host.ask(hexed(f"CC 99 {address} 00 {NO}"))
        assert host.read(1) == hexed(answer)


@pytest.mark.parametrize("way", ["forced", "mission"])
def test_conversion_without_oscillator_kills(make_host: MakeHost, way: str) -> None:
    """The fatal case of the data sheets: the part never answers a function again."""
    host = make_host(logger(oscillator_on=False))
    if way == "forced":
        host.ask(hexed("CC 55 FF"))
    else:
        host.ask(hexed(f"CC 96 {NO} FF"))
        host.ask(hexed(f"CC CC {NO} FF"))
    host.wait(2)
    assert model(host).is_dead
    assert host.ask(hexed(f"CC 69 00 02 {NO}"), 4) == b"\xff" * 4


def test_no_start_without_a_clear(make_host: MakeHost) -> None:
    """MEMCLR must be 1."""
    host = make_host(logger())
    host.ask(hexed(f"CC CC {NO} FF"))
    assert registers(host)[0x15] == 0xC0


def test_forced_conversion(make_host: MakeHost) -> None:
    """Last values at 020C to 020F, one more sample in the lifetime."""
    host = make_host(logger(temperature_degc=25.1875, humidity_rh=60.97))
    before = registers(host)
    host.ask(hexed("CC 55 FF"))
    host.wait(0.6)
    after = registers(host)
    assert after[0x0C:0x10] == hexed("60 84 50 90")
    assert after[0x23] == before[0x23] + 1
    assert after[0x26] == 0x20


def test_calibration_page(make_host: MakeHost) -> None:
    """Byte 31 is the CRC-8 of the others; the copy at 0260h is the same."""
    host = make_host(logger(sensor_error_degc=0.5))
    page = host.ask(hexed(f"CC 69 40 02 {NO}"), 32)
    assert page[31] == crc_8(page[:31])
    assert host.ask(hexed(f"CC 69 60 02 {NO}"), 32) == page


def test_wrong_authorisation(make_host: MakeHost) -> None:
    """One wrong bit in address or status: ones, and nothing is written."""
    host = make_host(logger())
    for wrong in ("01 00 00", "00 00 01"):
        host.ask(hexed("CC 0F 00 00 11"))
        host.ask(hexed(f"CC 99 {wrong} {NO}"))
        assert host.read(1) == b"\xff"
    assert model(host).cells[0] == 0
