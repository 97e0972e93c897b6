"""Write-once memory: nothing without a right check value, nothing beside others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CannotSwitch,
    CheckValueWrong,
    UsageError,
)
from harness.families.memories import write_once
from harness.families.registry import checks, quantities
from tests.outside_crc import crc_8, crc_16

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

PROGRAMMING = {"power": {"programming_v": 12.0, "programming_on": "dtr-without-rts"}}
CODES = [0x09, 0x0B, 0x0F, 0x89, 0x8B, 0x8F]


def cells(session: DeviceSession) -> bytearray:
    """What the simulated part really holds."""
    content: bytearray = session._bus.adapter.port.bench.stations[0].device.cells
    return content


def test_09h_worked_transaction(script: Make) -> None:
    """5Ah at 0010h, A5h at 0011h (computed from part DS2502 p. 10)."""
    lines = [("0F 10 00 5A", "75 5A"), ("..A5", "53 A5")]
    session = script(0x09, lines)
    write_once.program(session, write_once._SHORT, 0x0F, 0x10, b"\x5a\xa5")
    assert (session.lines, session.pulses_s) == ([], [0.001, 0.001])


def test_0bh_worked_transaction(script: Make) -> None:
    """12h at 0020h, 34h at 0021h (computed from part DS2505 p. 11-14)."""
    lines = [("0F 20 00 12", "7D 2C 12"), ("..34", "3E 30 34")]
    session = script(0x0B, lines)
    write_once.program(session, write_once._MIDDLE, 0x0F, 0x20, b"\x12\x34")
    assert (session.lines, len(session.pulses_s)) == ([], 2)


def test_09h_reads(script: Make) -> None:
    """Blank part and blank status (FFh throughout: part DS2502 p. 10)."""
    session = script(0x09, [("F0 00 00", "8D" + "FF" * 128 + "35")])
    assert write_once.read_memory(session, write_once._SHORT, 0, 128) == b"\xff" * 128
    session = script(0x09, [("AA 00 00", "9C FF FF FF FF FF FF FF 00 FC")] * 2)
    assert quantities(0x09)["protected_pages"].read(session).value == 0
    assert quantities(0x09)["redirected_pages"].read(session).value == 0


def test_0bh_reads_a_redirected_page(script: Make) -> None:
    """FBh stands for page 4: the page is still read, the redirection reported."""
    lines = [("A5 40 00", "FB 9D 64" + "FF" * 32 + "FE 5B")]
    session = script(0x0B, lines)
    assert write_once.read_memory(session, write_once._MIDDLE, 0x40, 4) == b"\xff" * 4


def test_a_wrong_check_value_withholds_the_pulse(script: Make) -> None:
    """Every flipped bit of the check value: an error, and no pulse was given."""
    message = bytes.fromhex("0F 10 00 5A")
    for code, part, right in (
        (0x09, write_once._SHORT, crc_8(message).to_bytes(1, "little")),
        (0x0B, write_once._MIDDLE, crc_16(message).to_bytes(2, "little")),
    ):
        for bit in range(8 * len(right)):
            wrong = bytearray(right)
            wrong[bit // 8] ^= 1 << bit % 8
            session = script(code, [("0F 10 00 5A", wrong.hex())])
            with pytest.raises(CheckValueWrong):
                write_once.program(session, part, 0x0F, 0x10, b"\x5a")
            assert session.pulses_s == []


def test_a_byte_that_does_not_take_is_tried_three_times(script: Make) -> None:
    """Bits that stay 1 are pulsed again; then it is given up with what was read."""
    session = script(0x09, [("0F 10 00 5A", "75 FF")] * 3)
    with pytest.raises(AnswerImpossible, match="reads FFh after the pulse, wanted 5Ah"):
        write_once.program(session, write_once._SHORT, 0x0F, 0x10, b"\x5a")
    assert len(session.pulses_s) == 3


def test_a_bit_too_many_ends_it_at_once(script: Make) -> None:
    """A bit that went to 0 and should not cannot be brought back by another pulse."""
    session = script(0x09, [("0F 10 00 5A", "75 52")])
    with pytest.raises(AnswerImpossible, match="reads 52h"):
        write_once.program(session, write_once._SHORT, 0x0F, 0x10, b"\x5a")
    assert len(session.pulses_s) == 1


def test_company_on_the_line_forbids_the_pulse(script: Make) -> None:
    """12 V would destroy the others: nothing is sent."""
    session = script(0x09, [])
    session.alone = False
    with pytest.raises(AnswerImpossible, match="would destroy them"):
        write_once.program(session, write_once._SHORT, 0x0F, 0x10, b"\x5a")
    assert session.pulses_s == []


@pytest.mark.parametrize("code", CODES)
def test_what_is_programmed_is_read_back(live: Make, given: Make, code: int) -> None:
    """Bytes over a page's end, on the line voltage of the bench."""
    session = live(code, fixture=PROGRAMMING)
    check = checks(code)["memory_program"]
    found = check.run(session, given(check, start=30, data="00 5A A5 0F"))
    assert all(value.holds for value in found.measurements)
    assert cells(session)[29:35] == bytes.fromhex("FF 00 5A A5 0F FF")


@pytest.mark.slow
@pytest.mark.parametrize("code", [0x09, 0x0B, 0x0F])
def test_programmed_bytes_are_counted(live: Make, code: int) -> None:
    """Every byte that is not blank, read with check values to the last page."""
    session = live(code, content="00 FF 5A")
    cells(session)[-1] = 0
    assert quantities(code)["programmed_bytes"].read(session).value == 3


def test_no_pulse_to_get_a_1_back(live: Make, given: Make) -> None:
    """Content that needs a 1 where a 0 is: refused before the first pulse."""
    session = live(0x09, fixture=PROGRAMMING, content="F0")
    check = checks(0x09)["memory_program"]
    with pytest.raises(AnswerImpossible, match="nothing was programmed"):
        check.run(session, given(check, data="0F"))
    assert cells(session)[0] == 0xF0
    with pytest.raises(UsageError, match="do not fit"):
        check.run(session, given(check, start=127, data="01 02"))


@pytest.mark.slow
@pytest.mark.parametrize("code", CODES)
def test_freezing_a_page(live: Make, given: Make, code: int) -> None:
    """The page is listed, later programming of it fails, that of others does not."""
    session = live(code, fixture=PROGRAMMING)
    protect, program = checks(code)["page_protect"], checks(code)["memory_program"]
    assert all(
        v.holds for v in protect.run(session, given(protect, page=3)).measurements
    )
    answer = quantities(code)["protected_pages"].read(session)
    assert (answer.value, answer.evidence) == (1, {"pages": [3]})
    with pytest.raises(AnswerImpossible, match="may be protected"):
        program.run(session, given(program, start=96, data="00"))
    program.run(session, given(program, start=95, data="00"))


def test_pages_far_up_have_their_own_bits(live: Make, given: Make) -> None:
    """Page 200 of a 0Fh stands in byte 19h of the status."""
    session = live(0x0F, fixture=PROGRAMMING)
    protect = checks(0x0F)["page_protect"]
    protect.run(session, given(protect, page=200))
    status = session._bus.adapter.port.bench.stations[0].device.status
    assert status[0x19] == 0xFE
    assert quantities(0x0F)["protected_pages"].read(session).evidence == {
        "pages": [200]
    }


def test_redirections_are_told(live: Make) -> None:
    """The one's complement of the page that stands in."""
    session = live(0x0B)
    session._bus.adapter.port.bench.stations[0].device.status[0x102] = 0xFB
    answer = quantities(0x0B)["redirected_pages"].read(session)
    assert (answer.value, answer.evidence) == (1, {"pages": ["2 to 4"]})


def test_fixture_without_programming_supply(live: Make, given: Make) -> None:
    """The driver itself refuses the pulse too."""
    session = live(0x09)
    check = checks(0x09)["memory_program"]
    with pytest.raises(CannotSwitch, match="no programming supply"):
        check.run(session, given(check, data="00"))
