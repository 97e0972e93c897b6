"""The model of the octal switch 29h against transactions by data sheet DS2408 p. 8-9, 32-36."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

OWN = "29 0C 0B 0A 00 00 00 35"


def switch(**more: object) -> dict[str, Any]:
    """A 29h on the line, with the serial number of the examples."""
    return {"family": 0x29, "serial": 0x0A0B0C, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def model(host: Host) -> Any:  # noqa: ANN401 - the kind under test
    """The device's logic."""
    return host.bench.stations[0].device


def test_worked_reads(make_host: MakeHost) -> None:
    """Registers with P0 low by its own transistor, then control alone."""
    host = make_host(switch())
    model(host).pins.switch(0xFE + 1)
    model(host).pins.activity = 0
    model(host).pins.held_low = {"0"}
    model(host).pins.look()
    assert asked(host, "CC F0 88 00", 11) == "FE FF 01 00 00 88 FF FF 7B 72 FF"
    asked(host, "CC CC 8D 00 04")
    assert asked(host, "CC F0 8D 00", 5) == "84 FF FF 86 89"


def test_worked_search_registers_and_write(make_host: MakeHost) -> None:
    """CCh, its read-back, and a channel-access write of A5h."""
    host = make_host(switch())
    asked(host, "CC CC 8B 00 FF FF 01")
    assert asked(host, "CC F0 8B 00", 7) == "FF FF 81 FF FF BE 2B"
    assert asked(host, "CC 5A A5 5A", 2) == "AA A5"


def test_worked_samples(make_host: MakeHost) -> None:
    """Two passes of ones: 62 7C with the command byte, FE 5B without."""
    host = make_host(switch())
    asked(host, "CC 5A FF 00", 2)
    answer = host.ask(bytes.fromhex("CC F5"), 68)
    assert answer == b"\xff" * 32 + b"\x62\x7c" + b"\xff" * 32 + b"\xfe\x5b"


def test_whole_transaction_by_an_independent_crc(make_host: MakeHost) -> None:
    """Command, address and registers: the check value of another library."""
    host = make_host(switch(), seed=9)
    answer = host.ask(bytes.fromhex("CC F0 88 00"), 10)
    check = crc_16(bytes.fromhex("F0 88 00") + answer[:8])
    assert answer[8:] == check.to_bytes(2, "little")


def test_errors(make_host: MakeHost) -> None:
    """Address too high, or a wrong complement: ones, and nothing changes."""
    host = make_host(switch())
    asked(host, "CC 5A A5 5A", 2)
    assert asked(host, "CC F0 90 00", 2) == "FF FF"
    assert asked(host, "CC 5A 00 FE", 2) == "FF FF"
    assert model(host).pins.latches == 0xA5


def test_power_on_flag_answers_until_cleared(make_host: MakeHost) -> None:
    """PORL takes part in every conditional search; writing 0 clears it, 1 never sets it."""
    host = make_host(switch())
    assert host.search(0xEC) == ["350000000A0B0C29"]
    asked(host, "CC CC 8D 00 00")
    assert host.search(0xEC) == []
    asked(host, "CC CC 8D 00 08")
    assert host.search(0xEC) == []


@pytest.mark.parametrize(
    ("registers", "found"),
    [("01 00 00", True), ("01 01 00", False), ("03 02 00", True), ("03 00 02", False),
     ("03 02 02", True), ("00 00 00", False)],
)  # fmt: skip
def test_conditions(make_host: MakeHost, registers: str, found: bool) -> None:
    """Any or all of the masked pins at their polarity; pin 0 is low, pin 1 high."""
    host = make_host(switch(held_low=("0",)))
    asked(host, "CC 5A FF 00", 2)
    asked(host, f"CC CC 8B 00 {registers}")
    assert bool(host.search(0xEC)) is found


def test_test_mode(make_host: MakeHost) -> None:
    """Output 0 ignores writes until 96h, the ROM code and 3Ch were sent."""
    host = make_host(switch(wakes_in_test_mode=True))
    model(host).pins.switch(0xFF)
    asked(host, "CC 5A 00 FF", 2)
    assert model(host).pins.latches == 0x01
    asked(host, f"96 {OWN[:-2]}34 3C")
    assert model(host).in_test_mode
    asked(host, f"96 {OWN} 3C")
    asked(host, "CC 5A 00 FF", 2)
    assert model(host).pins.latches == 0x00
