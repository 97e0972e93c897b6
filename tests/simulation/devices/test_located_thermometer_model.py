"""The models of the four 3Bh parts against transactions by data sheets MAX31826 p. 12, 14; MAX31850 p. 12-13, 19; DS1825 p. 7-8."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_8

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def part(variant: str, **more: object) -> dict[str, Any]:
    """A 3Bh on the line, at location 5."""
    return {"family": 0x3B, "serial": 0x51AB, "variant": variant, "location": 5, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def test_adjustable_power_up(make_host: MakeHost) -> None:
    """A block by MAX31826 p. 12 (its reserved bytes are assumed)."""
    host = make_host(part("adjustable"))
    assert asked(host, "CC BE", 9) == "50 05 4B 46 75 FF 0C 10 07"
    asked(host, "CC 4E 10 20 00")
    assert asked(host, "CC BE", 5) == "50 05 10 20 15"


@pytest.mark.parametrize(
    ("degc", "junction", "fault", "block"),
    [
        (100.75, 25.0, "none", "4C 06 00 19 F5 FF FF FF E1"),
        (0.0, 25.0, "open", "01 00 01 19 F5 FF FF FF"),
    ],
)
def test_thermocouple_blocks(
    make_host: MakeHost, degc: float, junction: float, fault: str, block: str
) -> None:
    """+100.75 and +25 degC by MAX31850 p. 12-13; a fault sets its bit and bit 0."""
    host = make_host(
        part(
            "thermocouple",
            thermocouple_degc=degc,
            temperature_degc=junction,
            thermocouple_fault=fault,
        )
    )
    data = host.convert(0.11)
    assert data.hex(" ").upper().startswith(block)
    assert crc_8(data[:8]) == data[8]


def test_memory_worked_write(make_host: MakeHost) -> None:
    """Row 08h: check value 1F, then copied by 55 A5 and read back."""
    host = make_host(part("with-memory"))
    data = "A0 A1 A2 A3 A4 A5 A6 A7"
    assert asked(host, f"CC 0F 08 {data}", 1) == "1F"
    assert asked(host, "CC AA 08", 8) == data
    asked(host, "CC 55 A4")
    host.wait(0.025)
    assert asked(host, "CC F0 08", 1) == "FF"
    asked(host, "CC 55 A5")
    host.wait(0.025)
    assert asked(host, "CC F0 08", 9) == f"{data} FF"
    assert asked(host, "CC F0 7F", 2) == "FF FF"


def test_only_the_part_with_memory_has_a_second_scratchpad(make_host: MakeHost) -> None:
    """The others are silent on 0Fh."""
    for variant in ("adjustable", "thermocouple", "low-voltage"):
        host = make_host(part(variant))
        assert asked(host, "CC 0F 08 A0 A1 A2 A3 A4 A5 A6 A7", 1) == "FF"


@pytest.mark.parametrize(
    ("variant", "byte_4", "done_ms"),
    [("adjustable", 0x75, 620), ("low-voltage", 0x65, 145), ("with-memory", 0xF5, 125),
     ("thermocouple", 0xF5, 75)],
)  # fmt: skip
def test_tell_tales(
    make_host: MakeHost, variant: str, byte_4: int, done_ms: float
) -> None:
    """Byte 4, and how long a conversion keeps the line busy."""
    host = make_host(part(variant))
    assert host.ask(bytes.fromhex("CC BE"), 5)[4] == byte_4
    asked(host, "CC 44")
    host.wait(done_ms / 1000 - 0.045)
    assert host.read(1) == b"\x00"
    host.wait(0.050)
    assert host.read(1) == b"\xff"
