"""The model of the thermometer 42h against transactions by data sheet DS28EA00 p. 7-8, 10-12, 27-29."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.outside_crc import crc_8

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def thermometer(**more: object) -> dict[str, Any]:
    """A 42h on the line."""
    return {"family": 0x42, "serial": 0x51AB, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def match(host: Host, place: int) -> str:
    """The bytes that select one device."""
    return "55" + host.bench.stations[place].device.rom.wire.hex()


def test_worked_blocks(make_host: MakeHost) -> None:
    """Power-up image, then +25.0625 with the constant byte 6: blocks as on DS28EA00 p. 7."""
    host = make_host(thermometer(temperature_degc=25.0625))
    assert asked(host, "CC BE", 10) == "50 05 4B 46 7F FF 0C 10 1C FF"
    block = host.convert()
    assert block.hex(" ").upper() == "91 01 4B 46 7F FF 0C 10 70"
    assert crc_8(block[:8]) == block[8]


def test_worked_ports(make_host: MakeHost) -> None:
    """All high 0F; A on is confirmed by AA 3C; a wrong complement by ones."""
    host = make_host(thermometer())
    assert asked(host, "CC F5", 2) == "0F 0F"
    assert asked(host, "CC A5 FE 01", 2) == "AA 3C"
    assert asked(host, "CC A5 FF 01", 2) == "FF FF"
    assert asked(host, "CC F5", 1) == "3C"


def test_chain_answers(make_host: MakeHost) -> None:
    """On is AA for ever; complement wrong 00; state unknown the inverted byte."""
    host = make_host(thermometer())
    assert asked(host, "CC 99 5A A5", 2) == "AA AA"
    assert asked(host, "CC 99 5A A4", 2) == "00 00"
    assert asked(host, "CC 99 11 EE", 2) == "EE EE"


def test_ports_while_the_chain_is_on(make_host: MakeHost) -> None:
    """Latches read 1 and writes are ignored."""
    host = make_host(thermometer())
    asked(host, "CC 99 5A A5", 1)
    assert asked(host, "CC A5 FC 03", 2) == "AA 0F"


def test_chain_in_cable_order(make_host: MakeHost) -> None:
    """The first answers, is done, then the next: the chain example of DS28EA00 p. 29."""
    host = make_host(
        thermometer(serial=9, socket="S2", follows={"b": "S1.a"}),
        thermometer(serial=5, socket="S1", held_low=["b"]),
    )
    assert asked(host, "0F", 8) == "FF " * 7 + "FF"
    assert asked(host, "CC 99 5A A5", 1) == "AA"
    order = []
    for _ in range(2):
        order.append(asked(host, "0F", 8))
        host.write(bytes.fromhex("99 96 69"))
        assert host.read(1) == b"\xaa"
    assert order == [
        host.bench.stations[place].device.rom.wire.hex(" ").upper() for place in (1, 0)
    ]
    assert asked(host, "0F", 8) == "FF " * 7 + "FF"
    assert asked(host, "CC 99 3C C3", 1) == "AA"
    assert asked(host, f"{match(host, 0)} F5", 1) == "0F"
