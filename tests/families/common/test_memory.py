"""Memory tests put back what they found, however they end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import (
    AdapterUnplugged,
    AnswerImpossible,
    DeviceAbsent,
    UsageError,
)
from harness.families.check import Options, RecordToWrite
from harness.families.common.memory import PATTERNS, Memory, memory_checks
from harness.families.family import Check

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

CONTENT = bytes(range(100, 116))


class Cells:
    """Sixteen bytes, with trouble by number of write.

    Attributes:
        cells: the content.
        trouble: number of write -> what is raised after half of it is done.
    """

    def __init__(self, trouble: dict[int, BaseException] | None = None) -> None:
        self.cells = bytearray(CONTENT)
        self.trouble = trouble or {}
        self.writes = 0

    def read(self, _session: object, address: int, length: int) -> bytes:
        """Bytes."""
        return bytes(self.cells[address : address + length])

    def write(self, _session: object, address: int, data: bytes) -> None:
        """Bytes, or half of them and trouble."""
        self.writes += 1
        fault = self.trouble.get(self.writes)
        count = len(data) if fault is None else len(data) // 2
        self.cells[address : address + count] = data[:count]
        if fault is not None:
            raise fault


def pattern_check(cells: Cells) -> Check:
    """The pattern check on such cells."""
    memory = Memory(size=16, read=cells.read, write=cells.write)
    return {check.name: check for check in memory_checks(memory)}["memory_pattern"]


def test_what_was_found_is_in_the_journal_before_the_first_write(
    script: Make, given: Make
) -> None:
    """A power cut in the middle loses nothing: the note comes first."""
    cells = Cells()
    check, session = pattern_check(cells), script(0x08, [])
    session.note = lambda text, **facts: session.notes.append(
        (text, {**facts, "writes": cells.writes})
    )
    check.run(session, given(check))
    assert session.notes[0] == (
        "memory before the patterns",
        {"start": 0, "content": CONTENT.hex().upper(), "writes": 0},
    )
    assert session.notes[-1][0] == "memory restored"


@pytest.mark.parametrize("number", range(1, 12))
@pytest.mark.parametrize(
    "fault", [DeviceAbsent("gone"), KeyboardInterrupt(), ZeroDivisionError()]
)
def test_content_returns_whatever_ends_the_test(
    script: Make, given: Make, number: int, fault: BaseException
) -> None:
    """An error, Ctrl-C or a fault of ours in any pass: restored, then it goes on."""
    cells = Cells({number: fault})
    check = pattern_check(cells)
    with pytest.raises(type(fault)):
        check.run(script(0x08, []), given(check))
    assert cells.cells == CONTENT


def test_ctrl_c_while_restoring_waits(script: Make, given: Make) -> None:
    """A second Ctrl-C comes while the content goes back: it is finished first."""
    cells = Cells({3: KeyboardInterrupt(), 4: KeyboardInterrupt()})
    check = pattern_check(cells)
    with pytest.raises(KeyboardInterrupt):
        check.run(script(0x08, []), given(check))
    assert cells.cells == CONTENT


def test_restoring_is_tried_again(script: Make, given: Make) -> None:
    """Two failures on the way back do no harm."""
    cells = Cells({2: DeviceAbsent("a"), 3: DeviceAbsent("b"), 4: DeviceAbsent("c")})
    check = pattern_check(cells)
    with pytest.raises(DeviceAbsent, match=r"^a"):
        check.run(script(0x08, []), given(check))
    assert cells.cells == CONTENT


@pytest.mark.parametrize(
    "fault", [DeviceAbsent("gone for good"), AdapterUnplugged("pulled out")]
)
def test_content_that_cannot_return_is_told(
    script: Make, given: Make, fault: DeviceAbsent | AdapterUnplugged
) -> None:
    """The error keeps its kind, so that no device is blamed for an adapter."""
    cells = Cells(dict.fromkeys(range(2, 9), fault))
    check, session = pattern_check(cells), script(0x08, [])
    with pytest.raises(type(fault), match="could not be put back") as raised:
        check.run(session, given(check))
    assert "journal" in raised.value.hint
    assert session.notes[-1][0] == "memory not restored"


def test_content_that_reads_back_wrong_is_told(script: Make, given: Make) -> None:
    """Writing without an error is not enough."""
    cells = Cells()
    memory = Memory(
        size=16,
        read=lambda session, at, n: (
            cells.read(session, at, n) if cells.writes < 12 else bytes(n)
        ),
        write=cells.write,
    )
    check = {c.name: c for c in memory_checks(memory)}["memory_pattern"]
    with pytest.raises(AnswerImpossible, match="16 bytes from 0000h"):
        check.run(script(0x08, []), given(check))


@pytest.mark.parametrize(
    ("spoil", "wrong_bits"),
    [
        # every second phase, and all but one of eight steps, hold a 0 there
        (lambda value: value | 0x10, {"checkerboard": 16, "walking-ones": 16 * 7}),
        # neighbours that pull each other down show only where both differ
        (lambda value: value & ~(value << 1) & 0xFF, {"checkerboard": 0}),
        (lambda value: value | value << 1 & 0xFF, {"walking-ones": 16 * 7}),
    ],
)
def test_patterns_count_wrong_bits(
    script: Make,
    given: Make,
    spoil: Callable[[int], int],
    wrong_bits: dict[str, int],
) -> None:
    """A stuck bit and shorted bits, while the patterns are on; counted by pattern."""
    for pattern, count in wrong_bits.items():
        cells = Cells()
        passes = len(PATTERNS[pattern])

        def read(
            session: object, at: int, n: int, cells: Cells = cells, last: int = passes
        ) -> bytes:
            data = cells.read(session, at, n)
            spoilt = 0 < cells.writes <= last
            return bytes(map(spoil, data)) if spoilt else data

        memory = Memory(size=16, read=read, write=cells.write)
        check = {c.name: c for c in memory_checks(memory)}["memory_pattern"]
        found = check.run(script(0x08, []), given(check, pattern=pattern))
        assert found.evidence["bits_wrong_by_pattern"] == {pattern: count}


def test_aliased_addresses_are_found_by_their_own_address(
    script: Make, given: Make
) -> None:
    """An address line that does nothing: bytes 512 apart are one byte."""
    size = 2048
    cells = bytearray(size)

    def write(_session: object, at: int, data: bytes) -> None:
        for place, value in enumerate(data, at):
            cells[place & ~0x200] = value

    def read(_session: object, at: int, n: int) -> bytes:
        return bytes(cells[place & ~0x200] for place in range(at, at + n))

    memory = Memory(size=size, read=read, write=write)
    check = {c.name: c for c in memory_checks(memory)}["memory_pattern"]
    found = check.run(script(0x0A, []), given(check, pattern="address"))
    assert not all(value.holds for value in found.measurements)
    blind = check.run(script(0x0A, []), given(check, pattern="checkerboard"))
    assert all(value.holds for value in blind.measurements)


def test_walking_ones_visit_every_bit_of_every_byte() -> None:
    """Over the eight passes each byte has held each single bit."""
    for at in (0, 1, 7, 100):
        assert {fill(at) for fill in PATTERNS["walking-ones"]} == {
            1 << bit for bit in range(8)
        }


def test_what_does_not_fit_is_refused(script: Make, given: Make) -> None:
    """Start and length are held against the size before anything is read."""
    check = pattern_check(Cells())
    with pytest.raises(UsageError, match="17 bytes from 0000h"):
        check.run(script(0x08, []), given(check, length=17))
    with pytest.raises(UsageError, match="do not lie"):
        check.run(script(0x08, []), given(check, start=16))


@pytest.mark.parametrize("allowed", [False, True])
def test_another_record_is_overwritten_only_if_the_plan_says_so(
    script: Make, allowed: bool
) -> None:
    """What is in the cells stays, or is announced as lost and written over."""
    cells, announced = Cells(), list[bool]()
    record = RecordToWrite(
        name="label",
        data=bytes(4),
        compare=lambda _got, _wanted: (),
        before_sending=announced.append,
    )
    memory = Memory(size=16, read=cells.read, write=cells.write)
    check = {check.name: check for check in memory_checks(memory)}["memory_write"]
    options = Options({"start": 4, "record": record, "overwrite": allowed})
    if not allowed:
        with pytest.raises(AnswerImpossible, match="something else than record label"):
            check.run(script(0x2D, []), options)
        assert (bytes(cells.cells), announced) == (CONTENT, [])
        return
    found = check.run(script(0x2D, []), options)
    assert {m.name: m.value for m in found.measurements} == {
        "bytes_written": 4,
        "bytes_different": 0,
    }
    assert cells.cells == CONTENT[:4] + bytes(4) + CONTENT[8:]
    assert announced == [True]


def test_the_address_pattern_differs_within_and_between_pages() -> None:
    """Each of 256 bytes has its own value, and the same place of the next page another."""
    (own,) = PATTERNS["address"]
    pages = [[own(page * 256 + at) for at in range(256)] for page in range(4)]
    assert all(sorted(page) == list(range(256)) for page in pages)
    assert all(len(set(same)) == 4 for same in zip(*pages, strict=True))
