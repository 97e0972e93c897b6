"""The model of the dual switch 12h against transactions by data sheet DS2406 p. 7-8, 13, 15-16."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def switch(**more: object) -> dict[str, Any]:
    """A 12h without a supply of its own, as in the worked bytes."""
    return {"family": 0x12, "serial": 0x112233, "supply": "parasite", **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def model(host: Host) -> Any:  # noqa: ANN401 - the kind under test
    """The device's logic."""
    return host.bench.stations[0].device


def test_worked_access(make_host: MakeHost) -> None:
    """Information 4F, data FF, 24 06; the next byte alone BF BF."""
    host = make_host(switch())
    assert asked(host, "CC F5 5D FF", 7) == "4F FF 24 06 FF BF BF"


def test_worked_switching(make_host: MakeHost) -> None:
    """A on, B off by status byte 7; FFh in place of the pulse; verified by AAh."""
    host = make_host(switch())
    assert asked(host, "CC 55 07 00 5F", 2) == "1F CA"
    host.write(b"\xff")
    assert host.read(1) == b"\x5f"
    assert asked(host, "CC AA 07 00", 3) == "5F 2F DE"
    assert model(host).pins.latches == 0b10


def test_without_ff_nothing_is_written(make_host: MakeHost) -> None:
    """A reset in place of FFh leaves the latches alone."""
    host = make_host(switch())
    asked(host, "CC 55 07 00 00", 2)
    assert asked(host, "CC AA 07 00", 1) == "7F"


def test_address_beyond_the_range_shows_in_the_check(make_host: MakeHost) -> None:
    """Nine top bits are forced to 0, so the check value is that of another address."""
    host = make_host(switch())
    answer = host.ask(bytes.fromhex("CC 55 87 01 5F"), 2)
    assert answer == bytes.fromhex("1F CA")


def test_whole_reads_by_an_independent_crc(make_host: MakeHost) -> None:
    """Status and memory end in the CRC-16 of command, address and data."""
    host = make_host(switch(content="01 02 03"))
    for opening, count in (("AA 00 00", 8), ("F0 00 00", 128), ("F0 7F 00", 1)):
        answer = host.ask(bytes.fromhex(f"CC {opening}"), count + 2)
        check = crc_16(bytes.fromhex(opening) + answer[:-2])
        assert answer[-2:] == check.to_bytes(2, "little")


def test_activity(make_host: MakeHost) -> None:
    """An edge shows in bits 4 and 5 until an access clears it."""
    host = make_host(switch())
    asked(host, "CC 55 07 00 5F FF")
    host.ask(bytes.fromhex("CC 55 07 00 5F"), 2)
    host.write(b"\xff")
    assert asked(host, "CC F5 5D FF", 1) == "5A"
    assert asked(host, "CC F5 DD FF", 1) == "5A"
    assert asked(host, "CC F5 5D FF", 1) == "4A"


@pytest.mark.parametrize(
    ("bits", "found"), [(0x0F, True), (0x0E, False), (0x16, True), (0x17, False), (0x07, False)]
)  # fmt: skip
def test_condition_by_level(make_host: MakeHost, bits: int, found: bool) -> None:
    """Level of A (high) or B (held low) against the polarity; no channel, no answer."""
    host = make_host(switch(held_low=("b",)))
    model(host).search = bits
    assert bool(host.search(0xEC)) is found
