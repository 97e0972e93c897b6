"""Model of the bridge to I2C against worked packets, and its parts.

The packets were computed from the packet form of two public forum threads on part
DS28E17 (captured bytes); command codes from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


SLOW = {"part": "eeprom", "write_ms": 80}


def hexed(text: str) -> bytes:
    """Bytes of a worked packet."""
    return bytes.fromhex(text)


def bridge(**more: object) -> dict[str, Any]:
    """A bridge on the line."""
    return {"family": 0x19, "serial": 0x0ABC, **more}


def answer(host: Host, count: int) -> bytes:
    """Read slots until the first zero, then bytes."""
    for _ in range(200):
        if host.bits(b"\xff") == [0]:
            return host.read(count)
    raise AssertionError("the bridge stays busy")


@pytest.mark.parametrize(
    ("packet", "said"),
    [
        ("4B A0 03 00 12 34 7D 6E", "00 00 FF"),
        ("4B A0 03 00 12 34 7D 6F", "01 FF FF"),
        ("2D A0 02 00 10 04 74 20", "00 00 DE AD BE EF FF"),
        ("4B 80 02 40 01 23 F1", "02 FF FF"),
    ],
)
def test_worked_packets(make_host: MakeHost, packet: str, said: str) -> None:
    """Good write, wrong CRC, write-then-read, absent address; then it lets go."""
    part = {"part": "eeprom", "content": "00 " * 16 + "DE AD BE EF"}
    host = make_host(bridge(i2c=[part]))
    host.ask(hexed(f"CC {packet}"))
    assert host.bits(b"\xff") == [1]
    assert answer(host, len(hexed(said))) == hexed(said)


def test_split_write_is_one_transfer(make_host: MakeHost) -> None:
    """5Ah, 69h, 78h: pointer 0010h, then AA BB CC; written at the stop only."""
    host = make_host(bridge(i2c=[SLOW]))
    part: Any = host.bench.stations[0].device.parts[0x50]  # type: ignore[attr-defined]
    for packet in ("5A A0 02 00 10 25 FE", "69 02 AA BB 7D 70"):
        host.ask(hexed(f"CC {packet}"))
        assert answer(host, 2) == hexed("00 00")
        assert not part.is_busy
    host.ask(hexed("CC 78 01 CC 7E 23"))
    assert answer(host, 2) == hexed("00 00")
    assert part.is_busy
    assert bytes(part.cells[0x10:0x13]) == hexed("AA BB CC")


def test_middle_without_a_start(make_host: MakeHost) -> None:
    """69h with no transfer open: invalid start (bit from memory)."""
    host = make_host(bridge())
    host.ask(hexed("CC 69 02 AA BB 7D 70"))
    assert answer(host, 2) == hexed("08 FF")


def test_own_registers(make_host: MakeHost) -> None:
    """Revision; 400 kHz by default; another speed is kept until power goes."""
    host = make_host(bridge(revision=0x42))
    assert host.ask(hexed("CC C3"), 1) == hexed("42")
    assert host.ask(hexed("CC E1"), 1) == hexed("01")
    host.ask(hexed("CC D2 00"))
    assert host.ask(hexed("CC E1"), 1) == hexed("00")
    host.bench.stations[0].device.load_power_on_values()
    assert host.ask(hexed("CC E1"), 1) == hexed("01")


def test_slower_clock_is_busy_longer(make_host: MakeHost) -> None:
    """255 bytes take 23 ms at 100 kHz and 2.5 ms at 900 kHz: busy for 64 slots, or not."""
    packet = hexed("87 A1 FF")
    packet += crc_16(packet).to_bytes(2, "little")
    for code, is_busy in (("00", True), ("02", False)):
        host = make_host(bridge())
        host.ask(hexed(f"CC D2 {code}"))
        host.ask(hexed("CC") + packet)
        assert (0 not in host.bits(b"\xff" * 64)) is is_busy


def test_eeprom_does_not_acknowledge_while_it_writes(make_host: MakeHost) -> None:
    """NACK right after a write, the content once it is done."""
    host = make_host(bridge(i2c=[SLOW]))
    host.ask(hexed("CC 4B A0 03 00 12 34 7D 6E"))
    assert answer(host, 2) == hexed("00 00")
    host.ask(hexed("CC 87 A1 04 37 85"))
    assert answer(host, 5) == hexed("02 FF FF FF FF")
    host.wait(0.1)
    host.ask(hexed("CC 2D A0 02 00 10 04 74 20"))
    assert answer(host, 6)[:2] == hexed("00 00")
    part: Any = host.bench.stations[0].device.parts[0x50]  # type: ignore[attr-defined]
    assert part.cells[0x12] == 0x34
