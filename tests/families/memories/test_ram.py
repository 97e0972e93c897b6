"""Battery-backed RAM: no check value, so two readings, and no silent wrong data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import AnswerImpossible, CheckValueWrong
from harness.families.registry import checks

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

WORKED = [
    ("F0 26 00", "FF FF"),
    ("F0 26 00", "FF FF"),
    ("0F 26 00 A5 5A", ""),
    ("AA", "26 00 07 A5 5A"),
    ("55 26 00 07", "00"),
    ("AA", "26 00 87"),
    ("AA", "26 00 87"),
    ("F0 26 00", "A5 5A"),
    ("F0 26 00", "A5 5A"),
    ("F0 26 00", "A5 5A"),
    ("F0 26 00", "A5 5A"),
]
"""Data sheet family 0Ch (part DS1996) p. 8, status recomputed from its text;
the readings before and after are the driver's."""


def cells(session: DeviceSession) -> bytearray:
    """What the simulated part really holds."""
    content: bytearray = session._bus.adapter.port.bench.stations[0].device.cells
    return content


def test_0ch_worked_transaction(script: Make, given: Make) -> None:
    """A5 5A to 0026h: the bytes of the data sheet."""
    check = checks(0x0C)["memory_write"]
    session = script(0x0C, WORKED)
    found = check.run(session, given(check, start=0x26, data="A5 5A"))
    assert all(value.holds for value in found.measurements)
    assert session.lines == []
    assert session.notes == [
        ("memory before writing", {"start": 0x26, "content": "FFFF"})
    ]


def test_overflow_is_not_copied(script: Make, given: Make) -> None:
    """Status with bit 6: more was heard than was sent."""
    lines = [*WORKED[:3], ("AA", "26 00 5F A5 5A")]
    check = checks(0x0C)["memory_write"]
    with pytest.raises(AnswerImpossible, match="status 5Fh"):
        check.run(script(0x0C, lines), given(check, start=0x26, data="A5 5A"))


def test_other_data_in_the_scratchpad_is_no_answer_of_a_protected_page(
    script: Make, given: Make
) -> None:
    """Without a check value it is the transfer that is blamed."""
    lines = [*WORKED[:3], ("AA", "26 00 07 A5 5B")]
    check = checks(0x0C)["memory_write"]
    with pytest.raises(CheckValueWrong, match="sent was A5 5A"):
        check.run(script(0x0C, lines), given(check, start=0x26, data="A5 5A"))


@pytest.mark.parametrize(
    ("family", "size"),
    [(0x08, 128), (0x06, 512), (0x04, 512), (0x0A, 2048), (0x0C, 8192)],
)
def test_sizes(live: Make, given: Make, family: int, size: int) -> None:
    """The last byte can be written, the one behind it does not exist."""
    session = live(family)
    check = checks(family)["memory_write"]
    check.run(session, given(check, start=size - 3, data="01 02 03"))
    assert cells(session)[-4:] == b"\xff\x01\x02\x03"
    assert len(cells(session)) == size


@pytest.mark.parametrize("pattern", ["checkerboard", "walking-ones", "address"])
def test_patterns_pass_and_content_returns(
    live: Make, given: Make, pattern: str
) -> None:
    """Each pattern alone holds over two pages, and the memory is as it was."""
    session = live(0x06, content="00 01 02 03")
    before = bytes(cells(session))
    check = checks(0x06)["memory_pattern"]
    found = check.run(session, given(check, pattern=pattern, length=64))
    assert all(value.holds for value in found.measurements)
    assert bytes(cells(session)) == before
