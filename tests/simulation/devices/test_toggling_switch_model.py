"""The model of the toggling switch 05h against data sheet DS2405 p. 1-2."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

SWITCH = {"family": 0x05, "serial": 0x77}
MATCH = bytes.fromhex("55 05 77 00 00 00 00 00 D4")


def model(host: Host) -> Any:  # noqa: ANN401 - the kind under test
    """The device's logic."""
    return host.bench.stations[0].device


def test_worked_transaction(make_host: MakeHost) -> None:
    """A match switches on (00h), the next one off (FFh)."""
    host = make_host(SWITCH)
    assert host.ask(MATCH, 1) == b"\x00"
    assert host.ask(MATCH, 1) == b"\xff"
    assert model(host).toggles == 2


def test_searches_do_not_toggle(make_host: MakeHost) -> None:
    """A search finds it and leaves it alone; a conditional one only while it conducts."""
    host = make_host(SWITCH)
    assert host.search() == ["D400000000007705"]
    assert host.search(0xEC) == []
    host.ask(MATCH)
    assert host.search(0xEC) == ["D400000000007705"]
    assert model(host).toggles == 1


def test_another_match_and_a_torn_one_do_not_toggle(make_host: MakeHost) -> None:
    """63 right bits are not a match, and neither is a part of one."""
    host = make_host(SWITCH)
    host.ask(MATCH[:-1] + b"\x54")
    host.ask(MATCH[:5])
    assert model(host).toggles == 0


def test_a_pin_held_low_reads_low(make_host: MakeHost) -> None:
    """Transistor off and pin low: a load at fault."""
    host = make_host({**SWITCH, "held_low": ["a"]})
    host.ask(MATCH)
    assert host.ask(MATCH, 1) == b"\x00"
    assert model(host).pins.latches == 1
