"""Models of EEPROM, battery RAM and write-once memory against worked transactions.

The transactions are those of data sheets DS2431 p. 20-22; DS2433 p. 6; DS28EC20 p.
24-25; DS2430A p. 14; DS1993 p. 10-11; DS2502 p. 10-12; DS2505 p. 11-14 (computed there
from the command rules of the data sheets), byte for byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from harness.simulation.faults import settings as fs
from tests.outside_crc import crc_8, crc_16

if TYPE_CHECKING:
    from tests.simulation.conftest import MakeHost

PROGRAMMING = {
    "supply_on": None,
    "programming_v": 12.0,
    "programming_on": "dtr-without-rts",
}


def memory(family: int, **more: object) -> dict[str, Any]:
    """A memory on the line."""
    return {"family": family, "serial": 0xA4B3C2D1, "supply": "external", **more}


def hexed(text: str) -> bytes:
    """Bytes of a worked transaction."""
    return bytes.fromhex(text)


def pulse(host: Any, length_s: float = 0.001) -> None:  # noqa: ANN401 - conftest's Host
    """Lift the line by the modem lines."""
    host.port.rts = False
    host.port.clock.sleep(length_s)
    host.port.rts = True
    host.wait(0.001)


# -- scratchpad -----------------------------------------------------------------


def test_2dh_worked_transaction(make_host: MakeHost) -> None:
    """Row 0020h of a 2Dh: write, verify, copy, status, read."""
    host = make_host(memory(0x2D))
    data = "01 02 03 04 05 06 07 08"
    assert host.ask(hexed(f"CC 0F 20 00 {data}"), 2) == hexed("3E 45")
    assert host.ask(hexed("CC AA"), 13) == hexed(f"20 00 07 {data} 19 12")
    host.ask(hexed("CC 55 20 00 07"))
    host.wait(0.010)
    assert host.read(3) == hexed("AA AA AA")
    assert host.ask(hexed("CC AA"), 14) == hexed(f"20 00 87 {data} 78 D4 FF")
    assert host.ask(hexed("CC F0 20 00"), 8) == hexed(data)


def test_43h_worked_transaction(make_host: MakeHost) -> None:
    """Four bytes into a 43h, then an extended read over the page's end."""
    host = make_host(memory(0x43))
    assert host.ask(hexed("CC 0F 3C 00 DE AD BE EF"), 2) == hexed("9E 26")
    assert host.ask(hexed("CC AA"), 9) == hexed("3C 00 1F DE AD BE EF 87 DC")
    host.ask(hexed("CC 55 3C 00 1F"))
    host.wait(0.010)
    assert host.read(1) == hexed("AA")
    answer = host.ask(hexed("CC A5 3C 00"), 6 + 34)
    assert answer == hexed("DE AD BE EF 94 2C") + b"\xff" * 32 + hexed("FE 5B")


def test_23h_worked_transaction(make_host: MakeHost) -> None:
    """The last four bytes of a 23h; no check value after reading the scratchpad."""
    host = make_host(memory(0x23))
    assert host.ask(hexed("CC 0F FC 01 DE AD BE EF"), 2) == hexed("B2 E6")
    assert host.ask(hexed("CC AA"), 9) == hexed("FC 01 1F DE AD BE EF FF FF")
    host.ask(hexed("CC 55 FC 01 1F"))
    host.wait(0.005)
    assert host.read(1)[0] in {0xAA, 0x55}
    assert host.ask(hexed("CC F0 FC 01"), 5) == hexed("DE AD BE EF FF")


def test_23h_forces_high_address_bits_to_zero(make_host: MakeHost) -> None:
    """What the scratchpad shows is the address that is really used."""
    host = make_host(memory(0x23))
    host.ask(hexed("CC 0F FC FF 01"))
    assert host.ask(hexed("CC AA"), 2) == hexed("FC 01")


def test_0ch_worked_transaction(make_host: MakeHost) -> None:
    """Data sheet family 0Ch (part DS1996) p. 8: A5 5A to 0026h; status recomputed."""
    host = make_host(memory(0x0C))
    host.ask(hexed("CC 0F 26 00 A5 5A"))
    assert host.ask(hexed("CC AA"), 5) == hexed("26 00 07 A5 5A")
    host.ask(hexed("CC 55 26 00 07"))
    host.wait(0.001)
    assert host.read(2) == hexed("00 00")
    assert host.ask(hexed("CC AA"), 5) == hexed("26 00 87 A5 5A")
    assert host.ask(hexed("CC F0 26 00"), 2) == hexed("A5 5A")


def test_partial_byte_sets_pf(make_host: MakeHost) -> None:
    """Five bits of a byte and a reset: PF, and a copy is refused."""
    host = make_host(memory(0x08))
    host.ask(hexed("CC 0F 00 00 11 22"))
    host.bits(b"\xff" * 5)
    status = host.ask(hexed("CC AA"), 3)[2]
    assert status == 0x21
    host.ask(hexed("CC 55 00 00") + bytes([status]))
    host.wait(0.001)
    assert host.read(1) == b"\xff"


def test_overflow_sets_of(make_host: MakeHost) -> None:
    """A 33rd byte is ignored and shows in bit 6 (DS1993 p. 10)."""
    host = make_host(memory(0x08))
    host.ask(hexed("CC 0F 00 00") + bytes(range(32)))
    assert host.ask(hexed("CC AA"), 3)[2] == 0x1F
    host.ask(hexed("CC 0F 00 00") + bytes(range(33)))
    assert host.ask(hexed("CC AA"), 3 + 32) == hexed("00 00 5F") + bytes(range(32))


@pytest.mark.parametrize("wrong", ["21 00 07", "20 01 07", "20 00 06"])
def test_copy_needs_the_exact_authorisation(make_host: MakeHost, wrong: str) -> None:
    """One wrong bit in any of the three bytes: ones, and nothing is written."""
    host = make_host(memory(0x2D))
    host.ask(hexed("CC 0F 20 00") + bytes(8))
    host.ask(hexed(f"CC 55 {wrong}"))
    host.wait(0.010)
    assert host.read(1) == b"\xff"
    assert host.ask(hexed("CC F0 20 00"), 8) == b"\xff" * 8


def test_2dh_copies_whole_rows_only(make_host: MakeHost) -> None:
    """A write that begins inside a row is accepted and its copy refused."""
    host = make_host(memory(0x2D))
    host.ask(hexed("CC 0F 22 00 01 02 03 04 05 06"))
    assert host.ask(hexed("CC AA"), 3) == hexed("22 00 07")
    host.ask(hexed("CC 55 22 00 07"))
    host.wait(0.010)
    assert host.read(1) == b"\xff"


def test_2dh_protection(make_host: MakeHost) -> None:
    """55h shows what is held, AAh what zeros can make of it; both lock themselves."""
    host = make_host(memory(0x2D, fill=0x0F))
    cells = host.bench.stations[0].device.cells  # type: ignore[attr-defined]
    cells[0x80], cells[0x81] = 0x55, 0xAA
    host.ask(hexed("CC 0F 00 00") + b"\x3c" * 8)
    assert host.ask(hexed("CC AA"), 11)[3:] == b"\x0f" * 8
    host.ask(hexed("CC 0F 20 00") + b"\x3c" * 8)
    assert host.ask(hexed("CC AA"), 11)[3:] == b"\x0c" * 8
    host.ask(hexed("CC 0F 80 00") + bytes(8))
    assert host.ask(hexed("CC AA"), 11)[3:] == hexed("55 AA 00 00 00 0F 00 00")


def test_43h_read_between_write_and_copy_spoils_it(make_host: MakeHost) -> None:
    """The part's bad-sequence flag (data sheet family 43h, p. 10-11)."""
    host = make_host(memory(0x43))
    host.ask(hexed("CC 0F 3C 00 DE AD BE EF"), 2)
    host.ask(hexed("CC F0 00 00"), 1)
    host.ask(hexed("CC 55 3C 00 1F"))
    host.wait(0.010)
    assert host.read(1) == b"\xff"


@pytest.mark.parametrize(("family", "size"), [(0x2D, 0x90), (0x23, 0x200), (0x08, 128)])
def test_ones_beyond_the_last_address(
    make_host: MakeHost, family: int, size: int
) -> None:
    """Reading on past the end gives ones."""
    host = make_host(memory(family, fill=0x00))
    at = (size - 1).to_bytes(2, "little")
    assert host.ask(b"\xcc\xf0" + at, 3) == hexed("00 FF FF")


def test_supply_dip_in_a_copy(make_host: MakeHost) -> None:
    """Public reports, retold: PF set, ones instead of the pattern, cells mixed."""
    host = make_host(
        {**memory(0x2D), "supply": "parasite"},
        line={"pull_up_ohm": 1000, "supply_v": 5},
    )
    host.ask(hexed("CC 0F 20 00") + bytes(8), 2)
    host.ask(hexed("CC 55 20 00 07"))
    host.bench.faults.plan(
        fs.ShortedLineFault(
            kind="line-shorted", at_s=host.port.clock.now_s() + 0.003, for_s=0.003
        )
    )
    host.wait(0.010)
    assert host.ask(hexed("CC AA"), 3)[2] & 0x20
    cells = host.bench.stations[0].device.cells[0x20:0x28]  # type: ignore[attr-defined]
    assert set(cells) == {0x00, 0xFF}


# -- 14h ---------------------------------------------------------------------------


def test_14h_worked_transaction(make_host: MakeHost) -> None:
    """Load, change two bytes, verify, copy all, read; status open (DS2430A p. 14)."""
    host = make_host(memory(0x14))
    assert host.ask(hexed("CC F0 00"), 33) == b"\xff" * 33
    host.ask(hexed("CC 0F 06 12 34"))
    assert host.ask(hexed("CC AA 06"), 2) == hexed("12 34")
    host.ask(hexed("CC 55 A5"))
    host.wait(0.010)
    wanted = b"\xff" * 6 + hexed("12 34") + b"\xff" * 24
    assert host.ask(hexed("CC F0 00"), 32) == wanted
    assert host.ask(hexed("CC 66 00"), 1) == b"\xff"


def test_14h_lock_once(make_host: MakeHost) -> None:
    """Locked: status FCh, the register stays whatever is written."""
    host = make_host(memory(0x14))
    host.ask(hexed("CC 99 00") + bytes(range(8)))
    host.ask(hexed("CC 5A A5"))
    host.wait(0.010)
    assert host.ask(hexed("CC 66 00"), 1) == hexed("FC")
    host.ask(hexed("CC 99 00") + bytes(8))
    assert host.ask(hexed("CC C3 00"), 8) == bytes(range(8))


def test_14h_lock_is_called_off_by_a_reset(make_host: MakeHost) -> None:
    """A reset in place of A5h."""
    host = make_host(memory(0x14))
    host.ask(hexed("CC 5A"))
    host.ask(hexed("CC"))
    host.wait(0.010)
    assert host.ask(hexed("CC 66 00"), 1) == b"\xff"


def test_14h_address_wraps(make_host: MakeHost) -> None:
    """1Fh is followed by 00h."""
    host = make_host(memory(0x14, content="07"))
    assert host.ask(hexed("CC F0 1F"), 2) == hexed("FF 07")


# -- write-once ----------------------------------------------------------------------


def test_09h_reads_a_blank_part(make_host: MakeHost) -> None:
    """Check of the opening, 128 bytes, their check; status likewise."""
    host = make_host(memory(0x09))
    answer = host.ask(hexed("CC F0 00 00"), 130)
    assert answer == hexed("8D") + b"\xff" * 128 + hexed("35")
    status = host.ask(hexed("CC AA 00 00"), 10)
    assert status == hexed("9C FF FF FF FF FF FF FF 00 FC")


def test_09h_programs_two_bytes(make_host: MakeHost) -> None:
    """5Ah at 0010h, A5h at 0011h: the second check value starts from the address."""
    host = make_host(memory(0x09), power=PROGRAMMING)
    assert host.ask(hexed("CC 0F 10 00 5A"), 1) == hexed("75")
    pulse(host)
    assert host.read(1) == hexed("5A")
    host.write(hexed("A5"))
    assert host.read(1) == hexed("53")
    pulse(host)
    assert host.read(1) == hexed("A5")
    read = host.ask(hexed("CC F0 10 00"), 3)
    assert read == bytes([crc_8(hexed("F0 10 00"))]) + hexed("5A A5")


def test_0bh_programs_two_bytes(make_host: MakeHost) -> None:
    """12h at 0020h, 34h at 0021h."""
    host = make_host(memory(0x0B), power=PROGRAMMING)
    assert host.ask(hexed("CC 0F 20 00 12"), 2) == hexed("7D 2C")
    pulse(host)
    assert host.read(1) == hexed("12")
    host.write(hexed("34"))
    assert host.read(2) == hexed("3E 30")
    pulse(host)
    assert host.read(1) == hexed("34")


def test_0bh_extended_read(make_host: MakeHost) -> None:
    """Redirection byte and page, each with a CRC-16; the next record without opening."""
    host = make_host(memory(0x0B))
    answer = host.ask(hexed("CC A5 40 00"), 3 + 34 + 3)
    assert answer == (
        hexed("FF 9C A7") + b"\xff" * 32 + hexed("FE 5B") + hexed("FF BF BF")
    )
    host.bench.stations[0].device.status[0x102] = 0xFB  # type: ignore[attr-defined]
    assert host.ask(hexed("CC A5 40 00"), 3) == hexed("FB 9D 64")


def test_0bh_status_pages(make_host: MakeHost) -> None:
    """Eight status bytes and a CRC-16, over and over."""
    host = make_host(memory(0x0B))
    answer = host.ask(hexed("CC AA 00 00"), 20)
    assert answer == b"\xff" * 8 + hexed("9D A1") + b"\xff" * 8 + hexed("BE 7B")


def test_0fh_whole_read_ends_in_a_check_value(make_host: MakeHost) -> None:
    """F0h: the CRC-16 covers command, address and everything to the end."""
    host = make_host(memory(0x0F))
    answer = host.ask(hexed("CC F0 F0 1F"), 18)
    check = crc_16(hexed("F0 F0 1F") + b"\xff" * 16)
    assert answer == b"\xff" * 16 + check.to_bytes(2, "little")


def test_bits_never_come_back(make_host: MakeHost) -> None:
    """Programming FFh over 00h reads 00h."""
    host = make_host(memory(0x09, content="00"), power=PROGRAMMING)
    host.ask(hexed("CC 0F 00 00 FF"), 1)
    pulse(host)
    assert host.read(1) == b"\x00"


def test_frozen_page_ignores_the_pulse(make_host: MakeHost) -> None:
    """Page protection (DS2502 p. 10-12): F7h to the status freezes page 3."""
    host = make_host(memory(0x09), power=PROGRAMMING)
    assert host.ask(hexed("CC 55 00 00 F7"), 1) == hexed("AE")
    pulse(host)
    assert host.read(1) == hexed("F7")
    host.ask(hexed("CC 0F 60 00 00"), 1)
    pulse(host)
    assert host.read(1) == b"\xff"


@pytest.mark.parametrize("length_s", [0.0003, 0.006])
def test_pulse_out_of_bounds_programs_nothing(
    make_host: MakeHost, length_s: float
) -> None:
    """480 us is the shortest, 5 ms the longest (maker's support note)."""
    host = make_host(memory(0x09), power=PROGRAMMING)
    host.ask(hexed("CC 0F 00 00 00"), 1)
    pulse(host, length_s)
    assert host.read(1) == b"\xff"


def test_programming_voltage_destroys_others(make_host: MakeHost) -> None:
    """A thermometer on the same line is dead after one pulse, the memory is not."""
    thermometer = {"family": 0x28, "serial": 5}
    host = make_host(memory(0x09), thermometer, power=PROGRAMMING)
    assert len(host.search()) == 2
    pulse(host)
    assert host.search() == ["EF0000A4B3C2D109"]
    assert host.bench.stations[1].is_destroyed
