"""The model of the dual switch 3Ah against transactions by data sheet DS2413 p. 6, 16-17."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.faults import settings as fs

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def switch(**more: object) -> dict[str, Any]:
    """A 3Ah on the line."""
    return {"family": 0x3A, "serial": 0x123456, "socket": "S1", **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def test_worked_transaction(make_host: MakeHost) -> None:
    """Both on, then B alone, in one transaction (computed from the sheet's rules)."""
    host = make_host(switch())
    assert asked(host, "55 3A 56 34 12 00 00 00 A7 5A FC 03", 2) == "AA F0"
    host.write(bytes.fromhex("FD 02"))
    assert host.read(2).hex().upper() == "AAC3"


def test_wrong_complement_changes_nothing(make_host: MakeHost) -> None:
    """Ones for ever, and the latches stay as they were."""
    host = make_host(switch())
    assert asked(host, "CC 5A FC 04", 3) == "FF FF FF"
    assert asked(host, "CC F5", 2) == "0F 0F"


@pytest.mark.parametrize(
    ("latches", "held", "status"),
    [
        ("FF 00", (), "0F"),
        ("FF 00", ("a",), "1E"),
        ("FC 03", (), "F0"),
        ("FD 02", (), "C3"),
        ("FE 01", (), "3C"),
    ],
)
def test_status_bytes(
    make_host: MakeHost, latches: str, held: tuple[str, ...], status: str
) -> None:
    """The status bytes of the sheet (DS2413 p. 6): pin, latch, and their complement."""
    host = make_host(switch(held_low=held))
    asked(host, f"CC 5A {latches}")
    assert asked(host, "CC F5", 1) == status


def test_power_up_is_off(make_host: MakeHost) -> None:
    """A power cycle switches both transistors off (from memory)."""
    host = make_host(switch())
    asked(host, "CC 5A FC 03", 2)
    host.bench.faults.plan(
        fs.DeviceDropsOff(
            kind="device-drops-off", at_s=host.port.clock.now_s() + 0.01, for_s=0.01
        )
    )
    host.wait(0.05)
    assert asked(host, "CC F5", 1) == "0F"


def test_wires_inside_and_between(make_host: MakeHost) -> None:
    """A pin tied to another, and a pin that follows one of the next device."""
    other = {"family": 0x3A, "serial": 7, "socket": "S2", "follows": {"b": "S1.a"}}
    host = make_host(switch(tied={"a": "b"}), other)
    first = "55 3A 56 34 12 00 00 00 A7"
    second = "55 " + host.bench.stations[1].device.rom.wire.hex()
    asked(host, f"{first} 5A FE 01")
    assert asked(host, f"{first} F5", 1) == "78"
    assert asked(host, f"{second} F5", 1) == "4B"
