"""Constants of a device's own block, for the kinds that hold their readings to them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import AnswerImpossible
from harness.families.registry import quantities
from harness.families.thermometers.own_constants import KEY, places_of, take_kept
from tests.outside_crc import crc_8

Make = Callable[..., Any]

SHEET = {
    0x28: "90 01 4B 46 7F FF 0C 10",
    0x3B: "90 01 4B 46 7F FF 0C 10",
    0x42: "90 01 4B 46 7F FF 0C 10",
}


def block(family: int, **changes: int) -> str:
    """A block of the sheet with bytes changed, ``p5=0xA5``; its check byte is right."""
    data = bytearray.fromhex(SHEET[family])
    for name, value in changes.items():
        data[int(name[1:])] = value
    return (bytes(data) + bytes([crc_8(bytes(data))])).hex(" ")


def alarm_high(session: Any) -> Any:  # noqa: ANN401 - any session, any scalar
    """What needs one block and nothing else, once the part is known."""
    session.memory["variant"] = "adjustable"
    return quantities(session.rom.family)["alarm_high"].read(session).value


@pytest.mark.parametrize("family", SHEET)
def test_constants_of_a_clone_are_its_own(script: Make, family: int) -> None:
    """Other bytes than the sheet's, the same twice: valid, noted once."""
    odd = block(family, p5=0xA5)
    session = script(family, [("BE", odd)] * 3)
    assert alarm_high(session) == 0x4B
    assert alarm_high(session) == 0x4B
    assert session.lines == []
    (note,) = session.notes
    assert "held as its own" in note[0]


@pytest.mark.parametrize("family", SHEET)
def test_a_constant_that_moves_rejects_the_block(script: Make, family: int) -> None:
    """Each place, away from the sheet's and from a clone's own, though the CRC is right."""
    for place in places_of(family):
        for own in (block(family), block(family, p5=0xA5)):
            first = bytearray.fromhex(own)[:8]
            first[place] ^= 0x04
            moved = (bytes(first) + bytes([crc_8(bytes(first))])).hex(" ")
            known = 1 if own == block(family) else 2
            session = script(family, [("BE", own)] * known + [("BE", moved)])
            alarm_high(session)
            with pytest.raises(AnswerImpossible, match="not those of this device"):
                alarm_high(session)
            assert session.memory[KEY]


@pytest.mark.parametrize("family", SHEET)
def test_a_first_block_that_moves_at_once_is_nobodys(script: Make, family: int) -> None:
    """Odd constants that the second reading does not have are a flip, not a clone."""
    session = script(family, [("BE", block(family, p5=0xFD)), ("BE", block(family))])
    with pytest.raises(AnswerImpossible, match="not those of this device"):
        alarm_high(session)
    assert KEY not in session.memory


def test_kept_constants_reject_a_slipped_block_at_once(script: Make) -> None:
    """A slip whose CRC is right, in each block of a run: those of earlier runs reject it.

    Shifted by one bit the constants FF 10 read FF 21 or the like; without what was kept
    two such blocks pass for a clone's.
    """
    slipped = block(0x28, p7=0x21)
    session = script(0x28, [("BE", slipped)] * 2)
    assert alarm_high(session) == 0x4B
    session = script(0x28, [("BE", slipped), ("BE", block(0x28))])
    take_kept(session, "FF 10")
    with pytest.raises(AnswerImpossible, match="not those of this device, FF 10"):
        alarm_high(session)
    assert alarm_high(session) == 0x4B


def test_kept_constants_of_another_version(script: Make) -> None:
    """Another number of bytes than this version knows of the family is not taken."""
    session = script(0x28, [("BE", block(0x28))])
    take_kept(session, "FF")
    assert alarm_high(session) == 0x4B
