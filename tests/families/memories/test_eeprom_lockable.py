"""EEPROM 14h: whole copies, the register that locks once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceError,
    EchoDoubtful,
    ExtraEcho,
    LineError,
    UsageError,
)
from harness.families.registry import checks, quantities

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BLANK = "FF" * 32
CHANGED = "FF" * 6 + "12 34" + "FF" * 24
READ_BLANK = [("F0 00", BLANK), ("F0 00", BLANK)]


def test_worked_transaction(script: Make, given: Make) -> None:
    """Load, change two bytes, verify, copy all, read (part DS2430A p. 14).

    The whole scratchpad is written where the facts write two bytes: the copy takes
    all 32 whatever was sent.
    """
    lines = [
        ("F0 06", "FF FF"),
        ("F0 06", "FF FF"),
        *READ_BLANK,
        (f"0F 00 {CHANGED}", ""),
        ("AA 00", CHANGED),
        ("AA 00", CHANGED),
        ("55 A5", ""),
        ("F0 00", CHANGED),
        ("F0 00", CHANGED),
        ("F0 06", "12 34"),
        ("F0 06", "12 34"),
    ]
    check = checks(0x14)["memory_write"]
    session = script(0x14, lines)
    found = check.run(session, given(check, start=6, data="12 34"))
    assert all(value.holds for value in found.measurements)
    assert (session.lines, session.held_s) == ([], [0.010])


def test_scratchpad_that_does_not_take_it(script: Make, given: Make) -> None:
    """What is read back from the scratchpad is compared before anything is copied."""
    wrong = "FF" * 32
    lines = [
        ("F0 06", "FF FF"),
        ("F0 06", "FF FF"),
        *READ_BLANK,
        (f"0F 00 {CHANGED}", ""),
        ("AA 00", wrong),
        ("AA 00", wrong),
    ]
    check = checks(0x14)["memory_write"]
    session = script(0x14, lines)
    with pytest.raises(CheckValueWrong, match="scratchpad reads FF"):
        check.run(session, given(check, start=6, data="12 34"))
    assert session.held_s == []


@pytest.mark.parametrize(("status", "locked"), [("FF", False), ("FC", True)])
def test_status(script: Make, status: str, locked: bool) -> None:
    """FFh open, FCh locked (data sheet family 14h, p. 8)."""
    session = script(0x14, [("66 00", status)] * 2)
    assert quantities(0x14)["register_locked"].read(session).value is locked


def test_status_that_cannot_be(script: Make) -> None:
    """Any other status is no answer, so no single flipped bit turns one into the other."""
    for bit in range(8):
        for good in (0xFF, 0xFC):
            wrong = f"{good ^ 1 << bit:02X}"
            session = script(0x14, [("66 00", wrong)] * 2)
            with pytest.raises(AnswerImpossible, match="neither"):
                quantities(0x14)["register_locked"].read(session)


def test_lock_once_in_a_lifetime(live: Make, given: Make) -> None:
    """Written, locked, read back; a second time is refused before anything is sent."""
    session = live(0x14, fixture={"line": {"pull_up_ohm": 1000, "supply_v": 5.0}})
    check = checks(0x14)["register_lock"]
    found = check.run(session, given(check, data="00 01 02 03 04 05 06 07"))
    assert all(value.holds for value in found.measurements)
    register = quantities(0x14)["application_register"].read(session).value
    assert register == "00 01 02 03 04 05 06 07"
    with pytest.raises(AnswerImpossible, match="locked already"):
        check.run(session, given(check, data="00 01 02 03 04 05 06 08"))
    with pytest.raises(UsageError, match="2 bytes"):
        check.run(session, given(check, data="00 01"))


def test_patterns_pass_and_content_returns(live: Make, given: Make) -> None:
    """All patterns hold over the whole part, and the memory is as it was."""
    session = live(
        0x14,
        fixture={"line": {"pull_up_ohm": 1000, "supply_v": 5.0}},
        content="DE AD BE EF",
    )
    cells = session._bus.adapter.port.bench.stations[0].device.cells
    before = bytes(cells)
    check = checks(0x14)["memory_pattern"]
    found = check.run(session, given(check))
    assert all(value.holds for value in found.measurements)
    assert bytes(cells) == before


def test_copy_without_supply_is_found(live: Make, given: Make) -> None:
    """A pull-up too weak for the copy: the read-back says so."""
    session = live(0x14, fixture={"line": {"pull_up_ohm": 4700, "supply_v": 5.0}})
    check = checks(0x14)["memory_write"]
    # a device that restarts pulls the line as a damaged echo would: an error as well
    with pytest.raises((DeviceError, LineError, EchoDoubtful, ExtraEcho)):
        check.run(session, given(check, data="00 00 00 00 00 00 00 00"))
