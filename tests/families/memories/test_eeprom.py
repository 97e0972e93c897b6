"""EEPROM 2Dh, 43h, 23h: bytes on the wire, protection, failing copies, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    DeviceError,
    EchoDoubtful,
    ExtraEcho,
    LineError,
    UsageError,
)
from harness.families.common import scratchpad
from harness.families.memories import eeprom
from harness.families.registry import checks, quantities
from harness.simulation.faults import settings as fs

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ROW = "01 02 03 04 05 06 07 08"
DATA = bytes.fromhex(ROW)
WORKED_2D = [
    (f"0F 20 00 {ROW}", "3E 45"),
    ("AA", f"20 00 07 {ROW} 19 12"),
    ("55 20 00 07", "AA"),
    ("AA", "20 00 87"),
    ("AA", "20 00 87"),
    ("F0 20 00", ROW),
    ("F0 20 00", ROW),
]
"""Row 0020h of a 2Dh (computed from part DS2431 p. 8-12), with the driver's readings."""

PARASITE = {"line": {"pull_up_ohm": 1000, "supply_v": 5.0, "cable_m": 1}}


def cells(session: DeviceSession) -> bytearray:
    """What the simulated part really holds."""
    content: bytearray = session._bus.adapter.port.bench.stations[0].device.cells
    return content


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(session.rom.family)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def test_2dh_worked_transaction(script: Make) -> None:
    """Write, verify, copy, status, read: as in the example of part DS2431 p. 20-22, with own data."""
    session = script(0x2D, WORKED_2D)
    scratchpad.write_row(session, eeprom._PAD_2D, 0x20, DATA)
    assert session.lines == []
    assert session.held_s == [0.010]


def test_43h_worked_transaction(script: Make) -> None:
    """Part DS28EC20 p. 10-11, computed: four bytes at the end of page 1, then an extended read."""
    lines = [
        ("0F 3C 00 DE AD BE EF", "9E 26"),
        ("AA", "3C 00 1F DE AD BE EF 87 DC"),
        ("55 3C 00 1F", "AA"),
        ("AA", "3C 00 9F"),
        ("AA", "3C 00 9F"),
        ("F0 3C 00", "DE AD BE EF"),
        ("F0 3C 00", "DE AD BE EF"),
        ("A5 3C 00", "DE AD BE EF 94 2C"),
    ]
    session = script(0x43, lines)
    scratchpad.write_row(session, eeprom._PAD_43, 0x3C, bytes.fromhex("DEADBEEF"))
    assert eeprom.read_extended(session, 0x3C, 4) == bytes.fromhex("DEADBEEF")
    assert session.lines == []


def test_23h_worked_transaction(script: Make) -> None:
    """Part DS2433 p. 6: no check value behind the scratchpad of a 23h."""
    lines = [
        ("0F FC 01 DE AD BE EF", "B2 E6"),
        ("AA", "FC 01 1F DE AD BE EF"),
        ("55 FC 01 1F", "55"),
        ("AA", "FC 01 9F"),
        ("AA", "FC 01 9F"),
        ("F0 FC 01", "DE AD BE EF"),
        ("F0 FC 01", "DE AD BE EF"),
    ]
    session = script(0x23, lines)
    scratchpad.write_row(session, eeprom._PAD_23, 0x1FC, bytes.fromhex("DEADBEEF"))
    assert session.lines == []


def _flipped(hexed: str, bit: int) -> str:
    data = bytearray.fromhex(hexed)
    data[bit // 8] ^= 1 << bit % 8
    return data.hex()


def test_what_no_check_can_catch(script: Make) -> None:
    """Memory of a 2Dh has no CRC: the same bit flipped in both readings stays unseen.

    One such pair for each of the 64 bits of a row; it reads as memory that did not
    take the data only because the row was just written.
    """
    uncaught = 0
    for bit in range(64):
        wrong = _flipped(ROW, bit)
        session = script(0x2D, [("F0 20 00", wrong), ("F0 20 00", wrong)])
        uncaught += scratchpad.read_plain(session, eeprom._PAD_2D, 0x20, 8) != DATA
    assert uncaught == 64


@pytest.mark.parametrize(
    ("lines", "error", "words"),
    [
        (
            [WORKED_2D[0], ("AA", f"20 00 27 {ROW} 5A 9C")],
            CheckValueWrong,
            "check bytes",
        ),
        ([(WORKED_2D[0][0], "FF FF")], DeviceAbsent, "no device drives"),
        (
            [
                *WORKED_2D[:2],
                ("55 20 00 07", "FF"),
                ("AA", "20 00 07"),
                ("AA", "20 00 07"),
            ],
            AnswerImpossible,
            "end byte FFh, status 07h afterwards: refused",
        ),
        (
            [
                *WORKED_2D[:2],
                ("55 20 00 07", "FF"),
                ("AA", "20 00 27"),
                ("AA", "20 00 27"),
            ],
            AnswerImpossible,
            "end byte FFh, status 27h afterwards: bit 5",
        ),
        (
            [*WORKED_2D[:3], ("AA", "20 00 27"), ("AA", "20 00 27")],
            AnswerImpossible,
            "status 27h afterwards",
        ),
        (
            [*WORKED_2D[:5], ("F0 20 00", "00" * 8), ("F0 20 00", "00" * 8)],
            AnswerImpossible,
            "reads 00 00",
        ),
    ],
)
def test_each_way_to_fail_has_its_words(
    script: Make, lines: list[tuple[str, str]], error: type[Exception], words: str
) -> None:
    """Check of the write, status, end pattern and read-back, in that order (F22)."""
    session = script(0x2D, lines)
    with pytest.raises(error, match=words):
        scratchpad.write_row(session, eeprom._PAD_2D, 0x20, DATA)


def test_pf_in_a_sound_scratchpad(script: Make) -> None:
    """Status 27h with unchanged data has the check 91 5C (part DS2431 p. 12, computed)."""
    row = "11 22 33 44 55 66 77 88"
    lines = [
        (f"0F 20 00 {row}", "2F CA"),
        ("AA", f"20 00 27 {row} 91 5C"),
    ]
    session = script(0x2D, lines)
    with pytest.raises(AnswerImpossible, match="supply dip"):
        scratchpad.write_row(session, eeprom._PAD_2D, 0x20, bytes.fromhex(row))


@pytest.mark.parametrize("family", [0x2D, 0x43, 0x23])
def test_what_is_written_is_read_back(live: Make, given: Make, family: int) -> None:
    """Bytes across two rows, neighbours untouched, on parasite power."""
    session = live(family, fixture=PARASITE, fill=0x3C)
    found = run(session, given, "memory_write", start=30, data="01 02 03 04 05 06 07")
    assert found["bytes_different"].value == 0
    assert cells(session)[29:38] == bytes.fromhex("3C 01 02 03 04 05 06 07 3C")


@pytest.mark.parametrize("family", [0x2D, 0x43, 0x23])
def test_patterns_pass_and_content_returns(
    live: Make, given: Make, family: int
) -> None:
    """All patterns hold, and the memory is as it was."""
    session = live(family, fixture=PARASITE, content="DE AD BE EF 00 11 22 33")
    before = bytes(cells(session))
    found = run(session, given, "memory_pattern", length=32)
    assert found["bits_wrong"].value == 0
    assert found["passes"].value == 11
    assert bytes(cells(session)) == before


def test_verify_counts_what_differs(live: Make, given: Make) -> None:
    """Three bytes other than blank: the value is over its limit, the places are told."""
    session = live(0x43, content="01 FF 02 03")
    found = checks(0x43)["memory_verify"].run(
        session, given(checks(0x43)["memory_verify"], fill="blank")
    )
    compared, different = found.measurements
    assert (compared.value, different.value, different.holds) == (0xA00, 3, False)
    assert found.evidence["first_differences"][1] == "0002h: 02h, wanted FFh"


def test_verify_needs_one_thing_to_compare_with(live: Make, given: Make) -> None:
    """Neither or both of content and fill is a mistake of the plan."""
    session = live(0x23)
    with pytest.raises(UsageError, match="something to compare"):
        run(session, given, "memory_verify")
    with pytest.raises(UsageError, match="something to compare"):
        run(session, given, "memory_verify", data="01", fill="zeros")
    with pytest.raises(UsageError, match="do not lie"):
        run(session, given, "memory_verify", start=0x1FF, data="01 02")


def test_protection_in_words(live: Make, given: Make) -> None:
    """Which page, and how; the lock by itself."""
    session = live(0x2D, fill=0)
    content = cells(session)
    read = quantities(0x2D)
    assert read["protection"].read(session).value == "all open"
    content[0x81], content[0x83] = 0x55, 0xAA
    words = read["protection"].read(session).value
    assert words == "page 1 write-protected, page 3 zeros only"
    assert read["copies_blocked"].read(session).value is False
    content[0x84] = 0x55
    assert read["copies_blocked"].read(session).value is True
    state = run(session, given, "protection_state")["pages_open"]
    assert (state.value, state.holds) == (2, False)


def test_write_to_a_protected_page_is_an_error(live: Make, given: Make) -> None:
    """The part stages what it holds; the message says protection, nothing is changed."""
    session = live(0x2D, fixture=PARASITE, fill=0)
    cells(session)[0x81] = 0x55
    with pytest.raises(AnswerImpossible, match="stages 00 00") as raised:
        run(session, given, "memory_write", start=32, data="01 02 03 04 05 06 07 08")
    assert "protect" in raised.value.hint
    assert not any(cells(session)[:0x80])


def test_protecting_a_page(live: Make, given: Make) -> None:
    """The byte is written once, the rest of its row stays."""
    session = live(0x2D, fixture=PARASITE, fill=0)
    found = run(session, given, "protection_write", number=2, mode="zeros only")
    assert found["page_2"].holds
    assert cells(session)[0x80:0x88] == bytes.fromhex("00 00 AA 00 00 00 00 00")
    with pytest.raises(UsageError, match="no page 4"):
        run(session, given, "protection_write", number=4, mode="zeros only")


def test_43h_protects_blocks(live: Make, given: Make) -> None:
    """Block protection stands from 0A00h on."""
    session = live(0x43, fixture=PARASITE, fill=0)
    run(session, given, "protection_write", number=9, mode="write-protected")
    assert cells(session)[0xA09] == 0x55
    words = quantities(0x43)["protection"].read(session).value
    assert words == "block 9 write-protected"


def test_supply_dip_in_a_copy_is_found(live: Make, given: Make) -> None:
    """F22: the line falls 3 ms into the copy; the write is an error, never a success."""
    session = live(0x2D, fixture=PARASITE)
    bench = session._bus.adapter.port.bench

    def short_in_copy(text: str, **_: object) -> None:
        # the note before the first write is the last thing before the transactions
        at_s = bench.clock.now_us / 1e6
        bench.faults.plan(
            fs.ShortedLineFault(
                kind="line-shorted", at_s=at_s, for_s=0.004, every_s=0.012
            )
        )

    session.note = short_in_copy
    # a device that restarts pulls the line as a damaged echo would: an error as well
    with pytest.raises((DeviceError, LineError, EchoDoubtful, ExtraEcho)):
        run(session, given, "memory_write", data=ROW)
