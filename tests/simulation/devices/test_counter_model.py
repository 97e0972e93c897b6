"""The model of the counter 1Dh against data sheet DS2423 p. 6."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.outside_crc import crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def counter(**more: object) -> dict[str, Any]:
    """A 1Dh on the line."""
    return {"family": 0x1D, "serial": 0x51AB, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def test_worked_transaction(make_host: MakeHost) -> None:
    """The last byte of page 14, count 300: computed from p. 6."""
    host = make_host(counter(fill=0x55, counts={"a": 300}))
    answer = asked(host, "CC A5 DF 01", 11)
    assert answer == "55 2C 01 00 00 00 00 00 00 68 FE"


def test_next_record_checks_itself_alone(make_host: MakeHost) -> None:
    """Page 15 after page 14, then ones; the check value by another library."""
    host = make_host(counter(counts={"b": 7}))
    host.ask(bytes.fromhex("CC A5 DF 01"), 11)
    record = host.read(42)
    assert record[32:40] == bytes((7, 0, 0, 0, 0, 0, 0, 0))
    assert record[40:] == crc_16(record[:40]).to_bytes(2, "little")
    assert host.read(1) == b"\xff"


def test_copy_by_5a_counts_writes(make_host: MakeHost) -> None:
    """55h copies nothing; 5Ah copies, alternates, and counts in page 12."""
    host = make_host(counter())
    asked(host, "CC 0F 80 01 12 34")
    assert asked(host, "CC AA", 5) == "80 01 01 12 34"
    asked(host, "CC 55 80 01 01")
    host.wait(0.001)
    assert host.read(1) == b"\xff"
    asked(host, "CC 5A 80 01 01")
    host.wait(0.001)
    assert host.read(1)[0] in {0xAA, 0x55}
    assert asked(host, "CC F0 80 01", 3) == "12 34 FF"
    assert asked(host, "CC A5 9F 01", 5) == "FF 01 00 00 00"
    assert asked(host, "CC A5 1F 00", 5) == "FF FF FF FF FF"


def test_inputs_count_falling_edges(make_host: MakeHost) -> None:
    """An output of another device that goes low three times is counted three times."""
    switch = {"family": 0x3A, "serial": 9, "socket": "S2"}
    host = make_host(counter(follows={"a": "S2.b"}), switch)
    match = "55" + host.bench.stations[1].device.rom.wire.hex()
    for value in ("FD02", "FF00") * 3:
        asked(host, f"{match} 5A {value}", 2)
    own = "55" + host.bench.stations[0].device.rom.wire.hex()
    assert asked(host, f"{own} A5 DF 01", 5) == "FF 03 00 00 00"


def test_steady_pulses_and_wrap(make_host: MakeHost) -> None:
    """Ten pulses a second on input B, from just below the wrap."""
    host = make_host(counter(counts={"b": (1 << 32) - 5}, pulses_per_s={"b": 10.0}))
    host.wait(1.0)
    assert asked(host, "CC A5 FF 01", 5) == "FF 05 00 00 00"
