"""Traffic with authenticators: worked transactions, their MACs, every bit of a reply."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import CheckValueWrong, DeviceError
from harness.families.security import memory as secret_memory
from harness.families.security.challenge import PAGE_LAYOUT, page_mac
from harness.families.security.mac import mac_of
from harness.families.security.protection import REGISTER_LAYOUT
from harness.families.security.secret_change import SECRET_LAYOUT
from harness.wire.crc import crc16_holds
from tests.outside_crc import crc_16

Make = Callable[..., Any]

SERIAL = 0x55AA33
SECRET = bytes(range(1, 9))
PAGE_0 = bytes(range(32))
PAGE_1 = bytes(range(32, 64))
MAC = "37 BB 54 F9 8F 1E C4 6F CD 6C 2E 0B 2A 0A 77 60 94 45 DE CF"
CHALLENGED = [
    ("0F 00 00 00 00 00 00 11 22 33 00", "7E 2D"),
    ("AA", "00 00 5F 00 00 00 00 11 22 33 00 68 13"),
    ("A5 00 00", f"{PAGE_0.hex()} FF 2E 22 {MAC} 5D 60 AA"),
]
"""Computed from the layout in the data sheets of parts DS2432 and DS1961S."""

COPY_MAC = "E1 2B D5 4E F6 11 3F 26 5D D3 15 0F 3A 57 1B F8 8E B4 62 BC"


def scripted(script: Make, lines: list[tuple[str, str]]) -> Any:  # noqa: ANN401
    """The part of the worked examples, ROM 33 33 AA 55 00 00 00 30."""
    session = script(0x33, lines, serial=SERIAL)
    assert session.rom.wire == bytes.fromhex("33 33 AA 55 00 00 00 30")
    return session


def test_worked_authenticated_read(script: Make) -> None:
    """Example 1: challenge 11 22 33, page 0 and its MAC."""
    session = scripted(script, CHALLENGED)
    pad = bytes.fromhex("00 00 00 00 11 22 33 00")
    data, mac = secret_memory.read_page(session, 0, pad)
    assert (data, mac) == (PAGE_0, bytes.fromhex(MAC))
    assert session.held_s == [0.002]
    assert mac == page_mac(session, PAGE_LAYOUT, 0, SS=SECRET, PP=data, SP=pad)


def test_worked_default_secret(script: Make) -> None:
    """Example 2: secret of zeros, blank page 1, challenge DE AD BE."""
    session = scripted(script, [])
    mac = page_mac(
        session,
        PAGE_LAYOUT,
        1,
        SS=bytes(8),
        PP=b"\xff" * 32,
        SP=bytes.fromhex("00 00 00 00 DE AD BE 00"),
    )
    assert mac == bytes.fromhex(
        "E4 6C 21 6F 81 1B 01 61 A9 6D 2D 46 0C FE 4C 87 40 56 78 AF"
    )


def test_worked_copy(script: Make) -> None:
    """Example 3: A0..A7 to 0028h, the MAC over page 1 as it was."""
    row = "A0 A1 A2 A3 A4 A5 A6 A7"
    lines = [
        *[("F0 20 00", PAGE_1.hex())] * 2,
        (f"0F 28 00 {row}", "21 8B"),
        ("AA", f"28 00 5F {row} 36 95"),
        ("55 28 00 5F", ""),
        (f"..{COPY_MAC}", "AA"),
        *[("F0 28 00", row)] * 2,
    ]
    session = scripted(script, lines)
    secret_memory.write_row(session, 0x28, bytes.fromhex(row), SECRET)
    assert session.lines == []
    assert session.held_s == [0.002, 0.010]


def test_worked_next_secret(script: Make) -> None:
    """Example 4: scratchpad 11 22 .. 88, page 0; the new secret is 15 B8 .. 8C."""
    lines = [
        ("0F 00 00 11 22 33 44 55 66 77 88", "2E A0"),
        ("AA", "00 00 5F 11 22 33 44 55 66 77 88"),
        ("33 00 00", "AA"),
    ]
    block = bytes.fromhex("AA 00 00 5F 11 22 33 44 55 66 77 88")
    check = crc_16(block).to_bytes(2, "little").hex()
    lines[1] = ("AA", f"{lines[1][1]} {check}")
    session = scripted(script, lines)
    partial = bytes.fromhex("11 22 33 44 55 66 77 88")
    secret_memory.compute_secret(session, 0, partial)
    assert session.held_s == [0.012]
    given = {"SS": SECRET, "PP": PAGE_0, "SP": partial, "MP": b"\x11"}
    filled = SECRET_LAYOUT.fill(secret_memory.sources(session, **given))
    assert mac_of(filled)[:8] == bytes.fromhex("15 B8 CA 9C 61 EB 8F 8C")


def test_worked_register_page(script: Make) -> None:
    """Example 5: page 1 to zeros only, by the layout of the register page."""
    session = scripted(script, [])
    held = bytes.fromhex("00 00 00 55 00 00 00 00")
    row = bytes.fromhex("00 00 00 55 55 00 00 00")
    filled = REGISTER_LAYOUT.fill(
        secret_memory.sources(session, SS=SECRET, RG=held, SP=row, MP=b"\x04")
    )
    assert mac_of(filled) == bytes.fromhex(
        "C0 1D 6F B3 D8 F1 CE 5E 0B D1 3E E3 66 C6 0B A3 D6 C8 67 DC"
    )


def test_worked_first_secret(script: Make) -> None:
    """Example 6: 01..08 to 0080h."""
    lines = [
        ("0F 80 00 01 02 03 04 05 06 07 08", "38 C7"),
        ("AA", "80 00 5F 01 02 03 04 05 06 07 08 80 D3"),
        ("5A 80 00 5F", "AA"),
    ]
    session = scripted(script, lines)
    secret_memory.load_secret(session, SECRET)
    assert session.lines == []
    assert session.held_s == [0.010]


@pytest.mark.parametrize(
    "text",
    [
        "0F 00 00 00 00 00 00 11 22 33 00 7E 2D",
        f"A5 00 00 {PAGE_0.hex()} FF 2E 22",
        f"{MAC} 5D 60",
        "0F 28 00 A0 A1 A2 A3 A4 A5 A6 A7 21 8B",
        "AA 28 00 5F A0 A1 A2 A3 A4 A5 A6 A7 36 95",
        "0F 80 00 01 02 03 04 05 06 07 08 38 C7",
    ],
)
def test_worked_transactions_have_a_right_crc(text: str) -> None:
    """The CRC-16 of this package accepts whole printed transactions."""
    assert crc16_holds(bytes.fromhex(text))


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("00", "not the one it computed"),
        ("FF", "refused or never"),
        ("A8", "shows A8h"),
    ],
)
def test_each_way_to_refuse_has_its_words(
    script: Make, answer: str, words: str
) -> None:
    """Mismatch, refusal, neither."""
    session = scripted(script, [("55 00 00 5F", ""), (f"..{MAC}", answer)])
    with pytest.raises(DeviceError, match=words):
        secret_memory.copy(session, 0, bytes.fromhex(MAC), what="copy")


def test_quiet_staging_tells_no_bytes(script: Make) -> None:
    """Wrong check value, wrong content: the message has none of the secret."""
    text = SECRET.hex(" ")
    write = (f"0F 80 00 {text}", "38 C7")
    for lines in (
        [(write[0], "38 C6")],
        [write, ("AA", f"80 00 5F {text} 80 D2")],
        [write, ("AA", "80 00 5F 00 00 00 00 00 00 00 00 00 00")],
    ):
        fixed = list(lines)
        if fixed[-1][1].endswith("00 00"):
            block = bytes.fromhex("AA 80 00 5F") + bytes(8)
            check = crc_16(block).to_bytes(2, "little").hex()
            fixed[-1] = ("AA", f"80 00 5F {'00' * 8} {check}")
        with pytest.raises(DeviceError) as raised:
            secret_memory.load_secret(scripted(script, fixed), SECRET)
        assert not re.search(r"01[ :]*02[ :]*03", str(raised.value))
        assert raised.value.__cause__ is None


def test_check_value_wrong_in_a_page(script: Make) -> None:
    """A page whose CRC-16 does not hold is no page, before any MAC is looked at."""
    lines = [*CHALLENGED[:2], ("A5 00 00", f"{PAGE_0.hex()} FF 2E 23")]
    with pytest.raises(CheckValueWrong, match="page 0"):
        secret_memory.read_page(
            scripted(script, lines), 0, bytes.fromhex("00 00 00 00 11 22 33 00")
        )
