"""The model of the converter 20h against data sheet DS2450 p. 4-5 and 16."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def converter(**more: object) -> dict[str, Any]:
    """A 20h on the line."""
    return {"family": 0x20, "serial": 0x51AB, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def test_worked_transactions(make_host: MakeHost) -> None:
    """Supply, channel D at 12 bit and 5.12 V, a conversion of 2.505 V: after the example of p. 16."""
    host = make_host(converter(input_v={"d": 2.505}))
    assert asked(host, "CC 55 1C 00 40", 3) == "2E 05 40"
    assert asked(host, "CC 55 0E 00 0C", 3) == "8F F5 0C"
    host.write(b"\x0d")
    assert host.read(3).hex(" ").upper() == "7E 3E 0D"
    assert asked(host, "CC 3C 08 00", 2) == "38 33"
    host.wait(0.00112)
    assert host.bits(b"\xff") == [1]
    assert asked(host, "CC AA 06 00", 4) == "40 7D 16 8E"


def test_busy_is_shown_with_its_own_supply(make_host: MakeHost) -> None:
    """Zeros while it converts, ones afterwards; without 40h in 001Ch ones only."""
    host = make_host(converter())
    assert asked(host, "CC 3C 01 00", 3)[-2:] == "FF"
    asked(host, "CC 55 1C 00 40", 3)
    assert asked(host, "CC 3C 0F 00", 3)[-2:] == "00"
    host.wait(0.004)
    assert host.read(1) == b"\xff"


def test_power_on_values_and_search(make_host: MakeHost) -> None:
    """08h 8Ch and 00h FFh (from memory); answers until all four flags are cleared."""
    host = make_host(converter())
    page = host.ask(bytes.fromhex("CC AA 08 00"), 10)
    assert page[:8] == b"\x08\x8c" * 4
    check = crc_16(bytes.fromhex("AA 08 00") + page[:8])
    assert page[8:] == check.to_bytes(2, "little")
    assert host.read(8) == b"\x00\xff" * 4
    for address in ("09", "0B", "0D", "0F"):
        assert len(host.search(0xEC)) == 1
        asked(host, f"CC 55 {address} 00 0C", 3)
    assert host.search(0xEC) == []


@pytest.mark.parametrize(
    ("bits", "wide", "code"),
    [("00", "00", "00 80"), ("08", "00", "00 80"), ("01", "00", "00 80"),
     ("00", "01", "00 40"), ("02", "01", "00 40"), ("01", "01", "00 00")],
)  # fmt: skip
def test_scale(make_host: MakeHost, bits: str, wide: str, code: str) -> None:
    """1.28 V is half of 2.56 V and a quarter of 5.12 V, as far as the bits go."""
    host = make_host(converter(input_v={"a": 1.28}))
    asked(host, f"CC 55 08 00 {bits}", 3)
    asked(host, f"CC 55 09 00 {wide}", 3)
    asked(host, "CC 3C 01 00", 2)
    host.wait(0.002)
    assert asked(host, "CC AA 00 00", 2) == code


def test_presets_and_read_only_results(make_host: MakeHost) -> None:
    """Presets stand until the conversion ends; results cannot be written."""
    host = make_host(converter())
    asked(host, "CC 55 00 00 12", 3)
    assert asked(host, "CC AA 00 00", 2) == "00 00"
    asked(host, "CC 3C 01 02", 2)
    assert asked(host, "CC AA 00 00", 2) in {"FF FF", "00 00"}


def test_output_pulls_its_wire(make_host: MakeHost) -> None:
    """Channel A conducting pulls channel B's input to ground."""
    host = make_host(converter(input_v={"b": 2.0}, tied={"a": "b"}))
    for control, high in (("C8", True), ("88", False)):
        asked(host, f"CC 55 08 00 {control}", 3)
        asked(host, "CC 3C 02 00", 2)
        host.wait(0.002)
        assert (host.ask(bytes.fromhex("CC AA 03 00"), 1)[0] > 0x80) is high
