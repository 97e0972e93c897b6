"""Memories, scratchpads and registers to their ends: addresses, bits, messages."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    LineShorted,
    ReadingImplausible,
    UsageError,
)
from harness.families.common.answers import (
    heard_instead,
    read_records,
    read_twice,
    require_crc8,
    require_crc16,
    shown,
)
from harness.families.common.conditional import answered, search_check
from harness.families.common.conversion import (
    conversion_counted,
    conversions_begun,
    last_conversion_ended,
)
from harness.families.common.memory import (
    _FILLS,
    PATTERNS,
    Memory,
    first_bytes,
    memory_checks,
)
from harness.families.common.register_map import Field, _choice, flag_words
from harness.families.common.restore import put_back
from harness.families.common.scratchpad import (
    ALTERNATING,
    Scratchpad,
    Staged,
    copy,
    read_plain,
    read_staged,
    stage,
    stage_proved,
    store_facts,
    write,
)
from harness.families.common.scratchpad_commands import answers_resume, staged_target
from harness.families.family import Session
from harness.wire.crc import crc8, crc16_sent

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

NOBODY = cast("Session", None)


# -- answers ------------------------------------------------------------------------


def test_bytes_in_messages() -> None:
    """Forty are shown, of more how many there are."""
    assert shown(bytes([0, 0xAB])) == "00 AB"
    assert shown(b"\x01" * 40) == " ".join(["01"] * 40)
    assert shown(b"\x01" * 41) == " ".join(["01"] * 40) + " .. (41 bytes)"
    assert shown(b"\x01" * 3, most=2) == "01 01 .. (3 bytes)"


@pytest.mark.parametrize("start", [0, 0x55])
def test_check_values(start: int) -> None:
    """What was sent counts with the answer; the register may begin elsewhere."""
    sent, data = b"\xf0\x10", b"\x01\x02\x03"
    whole16 = data + crc16_sent(sent + data, start)
    assert require_crc16(sent, whole16, what="x", start=start) == data
    whole8 = data + bytes([crc8(sent + data, start)])
    assert require_crc8(sent, whole8, what="x", start=start) == data
    with pytest.raises(
        CheckValueWrong, match=r"x 01 02 04: check bytes .. .., computed .. .."
    ):
        require_crc16(sent, b"\x01\x02\x04" + whole16[3:], what="x", start=start)
    with pytest.raises(CheckValueWrong, match=f"check byte {whole8[3]:02X}h, computed"):
        require_crc8(sent, b"\x01\x02\x04" + whole8[3:], what="x", start=start)
    for require in (require_crc8, require_crc16):
        with pytest.raises(DeviceAbsent, match="x is 5 bytes of FFh"):
            require(b"\x01", b"\xff" * 5, what="x")


@pytest.mark.parametrize(
    ("place", "heard"), [(0, True), (7, True), (23, True), (24, False), (31, False)]
)
def test_what_the_device_heard_instead(place: int, heard: bool) -> None:
    """One bit of the command or its two-byte address, and no bit of what follows."""
    sent = b"\xa5\x10\x00\x33"
    flipped = bytearray(sent)
    flipped[place // 8] ^= 1 << place % 8
    data = b"\x01\x02\x03"
    received = data + crc16_sent(bytes(flipped) + data)
    found = heard_instead(sent, received)
    assert (found == bytes(flipped)) is heard
    with pytest.raises(CheckValueWrong) as raised:
        require_crc16(sent, received, what="x")
    assert ("what the device heard" in str(raised.value)) is heard


def test_records_of_one_transaction(script: Make) -> None:
    """The first check value covers the opening, the later ones their record alone."""
    opening, first, second = b"\xa5\x00\x00", b"\x01\x02", b"\x03\x04\x05"
    session = script(
        0x14,
        [
            (opening.hex(), (first + crc16_sent(opening + first)).hex()),
            ("..", (second + crc16_sent(second)).hex()),
        ],
    )
    assert read_records(session, opening, (2, 3), what="pages") == [first, second]
    assert session.lines == []


def test_two_readings(script: Make) -> None:
    """They agree; the first byte that differs is named; ones at the end are asked about."""
    session = script(0x23, [])
    answers = iter([b"\x01\x02\x03", b"\x01\x05\x04"])
    with pytest.raises(CheckValueWrong, match="in 2 of 3 bytes, the first is byte 1: 02h, then 05h"):  # fmt: skip
        read_twice(session, lambda: next(answers), what="x")
    session.present = False
    assert read_twice(session, lambda: b"\xff\x01", what="x") == b"\xff\x01"
    assert read_twice(session, lambda: b"", what="x") == b""
    with pytest.raises(DeviceAbsent):
        read_twice(session, lambda: b"\x01\xff", what="x")


# -- putting back ---------------------------------------------------------------------


@pytest.mark.parametrize("fails", range(5))
def test_three_tries_to_put_back(script: Make, fails: int) -> None:
    """The third may still work; then it is said, and the fault is of its kind."""
    session, tries = script(0x2D, []), []

    def action() -> None:
        tries.append(1)
        if len(tries) <= fails:
            raise DeviceAbsent("gone", cause="wiring")

    if fails < 3:
        put_back(session, action, what="it")
        assert (len(tries), session.notes) == (fails + 1, [])
        return
    with pytest.raises(DeviceAbsent, match="it could not be put back: gone") as raised:
        put_back(session, action, what="it", hint="by hand", note="the thing")
    assert (len(tries), session.notes) == (3, [("the thing not restored", {})])
    assert (raised.value.cause, raised.value.hint) == ("wiring", "by hand")


@pytest.mark.parametrize("at", [1, 2, 3])
def test_an_interrupt_waits_until_all_is_back(script: Make, at: int) -> None:
    """It is raised in the end, whether it could be put back or not."""
    session, tries = script(0x2D, []), []

    def action() -> None:
        tries.append(1)
        if len(tries) == at:
            raise KeyboardInterrupt
        if len(tries) < 3:
            raise AnswerImpossible("not yet")

    with pytest.raises(KeyboardInterrupt):
        put_back(session, action, what="it")
    assert len(tries) == 3
    assert bool(session.notes) is (at == 3)


# -- conversions and conditions ----------------------------------------------------------


def test_conversions_are_counted(script: Make) -> None:
    """One that was broken off has begun and not ended; before the first none is missing."""
    session = script(0x28, [])
    assert (conversions_begun(session), last_conversion_ended(session)) == (0, True)
    for number in (1, 2):
        with conversion_counted(session):
            assert not last_conversion_ended(session)
        assert conversions_begun(session) == number
        assert last_conversion_ended(session)
    with pytest.raises(DeviceAbsent), conversion_counted(session):
        raise DeviceAbsent("gone")
    assert (conversions_begun(session), last_conversion_ended(session)) == (3, False)


def test_a_conditional_search() -> None:
    """Hit and miss; the first channel is the default."""
    found = answered(met=True, unmet=False, evidence={"a": 1})
    assert [(row.value, row.wanted) for row in found.measurements] == [(True, True), (False, False)]  # fmt: skip
    assert found.evidence == {"a": 1}
    check = search_check(lambda _s, _o: found, condition="x", channels=("b", "c"))
    assert (check.options["channel"].default, check.expected_s) == ("b", 0.5)
    assert search_check(lambda _s, _o: found, condition="x").options == {}


# -- memories ------------------------------------------------------------------------


def test_fills_and_patterns() -> None:
    """Alternating bits, one bit that walks, the address itself (its page turned over)."""
    even, odd = PATTERNS["checkerboard"]
    assert [even(at) for at in range(4)] == [0xAA, 0x55, 0xAA, 0x55]
    assert [odd(at) for at in range(4)] == [0x55, 0xAA, 0x55, 0xAA]
    walks = PATTERNS["walking-ones"]
    assert [walk(0) for walk in walks] == [1 << bit for bit in range(8)]
    assert [walks[0](at) for at in range(9)] == [1, 2, 4, 8, 16, 32, 64, 128, 1]
    assert [walks[3](5), walks[3](4)] == [1, 128]
    (own,) = PATTERNS["address"]
    assert [own(at) for at in (0, 1, 255, 256, 257, 512)] == [0, 1, 255, 29, 28, 58]
    # no two addresses of 64 KiB that differ in one bit of the page alike
    assert all(own(1 << bit) != own(0) for bit in range(16))
    assert {name: fill(1) for name, fill in _FILLS.items()} == {
        "blank": 0xFF, "zeros": 0x00, "checkerboard": 0x55, "address": 1,
    }  # fmt: skip


CELLS = bytes(range(100, 116))
MEMORY = Memory(size=16, read=lambda _, at, length: CELLS[at : at + length])


@pytest.mark.parametrize(
    ("options", "compared", "different"),
    [
        ({"data": CELLS.hex()}, 16, 0),
        ({"data": CELLS[3:5].hex(), "start": 3}, 2, 0),
        ({"data": "64 00 66 00", "start": 0}, 4, 2),
        ({"fill": "blank"}, 16, 16),
        ({"fill": "blank", "start": 6}, 10, 10),
        ({"fill": "blank", "start": 6, "length": 10}, 10, 10),
        ({"fill": "blank", "start": 15, "length": 1}, 1, 1),
    ],
)
def test_comparing(
    given: Make, options: dict[str, Any], compared: int, different: int
) -> None:
    """As many as there is content, or as asked for, or to the end."""
    check, _ = memory_checks(MEMORY)
    found = check.run(NOBODY, given(check, **options))
    rows = {row.name: row for row in found.measurements}
    assert (rows["bytes_compared"].value, rows["bytes_different"].value) == (compared, different)  # fmt: skip
    assert rows["bytes_different"].high == 0
    assert found.evidence["start"] == options.get("start", 0)
    lines = found.evidence.get("first_differences", [])
    assert isinstance(lines, list)
    assert len(lines) == min(8, different)
    if options.get("data") == "64 00 66 00":
        assert lines == ["0001h: 65h, wanted 00h", "0003h: 67h, wanted 00h"]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({}, "something to compare with"),
        ({"data": "01", "fill": "blank"}, "something to compare with"),
        ({"fill": "blank", "start": 16}, "0 bytes from 0010h"),
        ({"fill": "blank", "start": 6, "length": 11}, "11 bytes from 0006h"),
        ({"data": "00" * 17}, "17 bytes from 0000h"),
    ],
)
def test_spans_that_do_not_lie_in_a_memory(
    given: Make, options: dict[str, Any], text: str
) -> None:
    """Said before anything is read."""
    check, _ = memory_checks(MEMORY)
    with pytest.raises(UsageError, match=text):
        check.run(NOBODY, given(check, **options))


def test_what_a_memory_offers() -> None:
    """Read alone without a way to write; times by its size; its first eight bytes."""
    verify, _ = memory_checks(MEMORY)
    assert verify.expected_s == pytest.approx(16 * 16 * 70e-6 + 0.1)
    both = memory_checks(Memory(size=16, read=MEMORY.read, write=lambda *_: None))
    assert [row.name for row in both] == [
        "memory_verify",
        "memory_record",
        "memory_write",
        "memory_pattern",
    ]
    assert [row.expected_s for row in both[2:]] == pytest.approx([0.16, 1.6])
    assert both[2].leaves == {"memory_verify", "first_bytes", "user_bytes"}
    assert first_bytes(MEMORY).read(NOBODY).value == "64 65 66 67 68 69 6A 6B"
    assert verify.options["length"].low == 1
    assert verify.options["start"].low == 0


def test_writing_reads_back(script: Make, given: Make) -> None:
    """What was there is in the journal first; what does not take counts."""
    cells = bytearray(CELLS)

    def put(_: Session, at: int, data: bytes) -> None:
        cells[at : at + len(data)] = data
        cells[5] = 0xEE

    memory = Memory(size=16, read=lambda _, at, n: bytes(cells[at : at + n]), write=put)
    check = memory_checks(memory)[2]
    session = script(0x2D, [])
    found = check.run(session, given(check, data="01 02 03", start=4))
    assert [row.value for row in found.measurements] == [3, 1]
    assert session.notes == [
        ("memory before writing", {"start": 4, "content": "68696A"})
    ]
    with pytest.raises(UsageError, match="needs the content"):
        check.run(session, given(check))


# -- scratchpads -----------------------------------------------------------------------

PART = Scratchpad(size=40, pad_bytes=8, copy_s=0.01, done=ALTERNATING)


def test_where_a_scratchpad_ends() -> None:
    """A check value follows where the last byte of the pad is reached (DS2431 p. 8)."""
    assert PART.end_mask == 7
    cases = [(0, 8), (0, 7), (3, 5), (3, 4), (8, 8), (15, 1), (14, 1)]
    assert [PART.reaches_end(*case) for case in cases] == [True, False, True, False, True, True, False]  # fmt: skip
    assert (
        Staged(address=0x1234, status=0x07, data=b"").authorisation == b"\x34\x12\x07"
    )


def test_staging_and_reading_back(script: Make) -> None:
    """0Fh and AAh, each with a CRC-16 where it is full, and only there."""
    data = bytes(range(8))
    message = b"\x0f\x08\x00" + data
    read = b"\x08\x00\x07" + data
    session = script(
        0x2D,
        [
            (message.hex(), crc16_sent(message).hex()),
            ("AA", read.hex() + crc16_sent(b"\xaa" + read).hex()),
            ("0F 08 00 01 02", ""),
            ("AA", "08 00 01 01 02"),
        ],
    )
    stage(session, PART, 8, data)
    assert read_staged(session, PART, 8) == Staged(address=8, status=7, data=data)
    staged = stage_proved(session, PART, 8, b"\x01\x02")
    assert (staged.address, staged.status) == (8, 1)
    assert session.lines == []
    with pytest.raises(DeviceAbsent, match="5 bytes of FFh"):
        read_staged(script(0x2D, [("AA", "FF FF FF FF FF")]), PART, 2)


@pytest.mark.parametrize(
    ("block", "error", "text"),
    [
        ("10 00 01 01 02", AnswerImpossible, "shows address 0010h, sent was 0008h"),
        ("08 00 21 01 02", AnswerImpossible, "status 21h: a partial byte"),
        ("08 00 02 01 02", AnswerImpossible, "wanted ending offset 01h"),
        ("08 00 81 01 02", AnswerImpossible, "wanted ending offset 01h"),
        ("08 00 01 01 03", CheckValueWrong, "reads 01 03, sent was 01 02"),
    ],
)
def test_what_is_staged_otherwise(
    script: Make, block: str, error: type[Exception], text: str
) -> None:
    """Address, flags, ending offset, then the bytes."""
    session = script(0x2D, [("0F 08 00 01 02", ""), ("AA", block)])
    with pytest.raises(error, match=text):
        stage_proved(session, PART, 8, b"\x01\x02")


STAGED = Staged(address=8, status=1, data=b"\x01\x02")


@pytest.mark.parametrize(
    ("end", "after", "text"),
    [
        ("AA", "08 00 81", ""),
        ("55", "08 00 81", ""),
        ("0F", "08 00 81", "shows 0Fh after 0.01 s"),
        ("AA", "08 00 A1", "bit 5 says"),
        ("AA", "08 00 83", "restarted during the copy"),
        ("AA", "08 00 01", "wanted bit 7 set"),
        ("FF", "08 00 81", "refused or never begun"),
    ],
)
def test_the_end_of_a_copy(script: Make, end: str, after: str, text: str) -> None:
    """The device's own word first, then its status, read twice (DS2431 p. 8-10)."""
    session = script(
        0x2D, [("55 08 00 01", ""), ("..", end), ("AA", after), ("AA", after)]
    )
    if not text:
        copy(session, PART, STAGED)
        assert session.held_s == [0.01]
        return
    with pytest.raises(Exception, match=text):
        copy(session, PART, STAGED)


def test_a_disturbed_line_that_no_copy_explains(script: Make) -> None:
    """The register is as before, so nothing was copied: the fault of the line stands."""
    session = script(
        0x2D, [("55 08 00 01", ""), ("AA", "08 00 01"), ("AA", "08 00 01")]
    )

    def disturbed(write: bytes, hold_s: float) -> None:
        session.transact(write)
        raise LineShorted("low", where="here")

    session.hold_strong_pull_up = disturbed
    with pytest.raises(LineShorted, match="low"):
        copy(session, PART, STAGED)


def test_facts_of_a_store() -> None:
    """Where, what was wanted, what would be done, and whether a check value was in it."""
    facts = store_facts(PART, STAGED, end=0x0F)["store"]
    assert facts == {
        "address": 8, "row": 1, "wanted": 1, "done": "55 or AA", "check": False, "end": "0F",
    }  # fmt: skip
    rows = Scratchpad(
        size=40, pad_bytes=8, copy_s=0.01, done=ALTERNATING, whole_rows=True
    )
    whole = Staged(address=8, status=7, data=bytes(8))
    found = store_facts(rows, whole, end=0xAA)["store"]
    assert (found["row"], found["check"]) == (8, True)


@pytest.mark.parametrize("whole_rows", [False, True])
@pytest.mark.parametrize(
    ("address", "length"), [(0, 8), (3, 2), (6, 4), (5, 20), (32, 8)]
)
def test_rows_of_a_write(
    monkeypatch: pytest.MonkeyPatch, whole_rows: bool, address: int, length: int
) -> None:
    """Row by row; where only whole rows are copied, the rest of a row keeps its content."""
    cells, rows = bytearray(range(100, 140)), []

    def put(_s: Session, _p: Scratchpad, at: int, piece: bytes) -> None:
        rows.append((at, len(piece)))
        cells[at : at + len(piece)] = piece

    module = "harness.families.common.scratchpad"
    monkeypatch.setattr(f"{module}.write_row", put)
    monkeypatch.setattr(
        f"{module}.read_plain", lambda _s, _p, at, n: bytes(cells[at : at + n])
    )
    part = Scratchpad(
        size=40, pad_bytes=8, copy_s=0.01, done=ALTERNATING, whole_rows=whole_rows
    )
    data = bytes(range(length))
    write(NOBODY, part, address, data)
    wanted = bytearray(range(100, 140))
    wanted[address : address + length] = data
    assert cells == wanted
    for at, size in rows:
        assert at // 8 == (at + size - 1) // 8
        assert not whole_rows or (at % 8, size) == (0, 8)
    assert len(rows) == (address + length - 1) // 8 - address // 8 + 1


@pytest.mark.parametrize(("address", "length"), [(-1, 2), (39, 2), (40, 1)])
def test_outside_of_a_part(address: int, length: int) -> None:
    """Refused before anything is sent, written or read."""
    with pytest.raises(UsageError, match="do not fit into 40 bytes"):
        write(NOBODY, PART, address, bytes(length))
    with pytest.raises(UsageError, match="do not lie in 40 bytes"):
        read_plain(NOBODY, PART, address, length)


def test_plain_readings_in_pieces(script: Make) -> None:
    """64 bytes at a time, each twice."""
    part = Scratchpad(size=200, pad_bytes=8, copy_s=0.01, done=ALTERNATING)
    content = bytes(n % 250 for n in range(200))
    lines = [
        (f"F0 {at:02X} 00", content[at : at + n].hex())
        for at, n in ((10, 64), (74, 64), (138, 2))
        for _ in (0, 1)
    ]
    session = script(0x23, lines)
    assert read_plain(session, part, 10, 130) == content[10:140]
    assert session.lines == []


def test_what_shows_a_restart(script: Make) -> None:
    """Address and status of the scratchpad; an answer to the resume command."""
    assert staged_target(script(0x2D, [("AA", "08 00 01")])) == "08 00 01"
    assert answers_resume(script(0x43, [("AA", "FF FF 01")]))
    assert not answers_resume(script(0x43, [("AA", "FF FF FF")]))


# -- registers -----------------------------------------------------------------------


def test_bits_of_a_field() -> None:
    """Width, sign, order and shift, by hand."""
    nibble = Field(name="x", shift=4, bits=3)
    assert (nibble.width, nibble.steps, nibble.raw(b"\xb5")) == (3, (0, 7), 3)
    assert nibble.put(b"\xff", 0) == b"\x8f"
    rest = Field(name="x", shift=3)
    assert (rest.width, rest.steps) == (5, (0, 31))
    word = Field(name="x", offset=1, count=2, signed=True, scale=0.5, bias=10, unit="V")
    assert (word.width, word.steps) == (16, (-32768, 32767))
    assert word.raw(b"\x00\xfe\xff\x00") == -2
    assert word.number(b"\x00\xfe\xff\x00") == 9.0
    assert word.encode(b"\x11\x00\x00\x22", 9.0) == b"\x11\xfe\xff\x22"
    assert word.raw_of(9.24) == -2
    assert word.raw_of(9.26) == -1
    big = Field(name="x", count=2, order="big")
    assert big.raw(b"\x01\x02") == 258
    assert big.encode(b"\x00\x00", 258) == b"\x01\x02"
    assert word.allowed == "-16374 to 16393.5 V"
    assert big.allowed == "0 to 65535"
    for value in (16_394, -16_375, float("inf"), float("nan")):
        with pytest.raises(UsageError, match="x is"):
            word.raw_of(value)
    for wrong in ("9", True):
        with pytest.raises(UsageError, match="takes a number"):
            word.raw_of(wrong)


def test_values_that_cannot_be() -> None:
    """Bits that are never set, codes that stand for nothing, what cannot be measured."""
    zeros = Field(name="x", count=2, zeros=0x8000)
    assert zeros.decode(b"\xff\x7f") == 0x7FFF
    with pytest.raises(AnswerImpossible, match="never set"):
        zeros.decode(b"\x00\x80")
    coded = Field(name="x", bits=2, codes={0: "a", 1: "b", 2: "b"})
    assert [coded.decode(bytes([n])) for n in (0, 1, 2, 4)] == ["a", "b", "b", "a"]
    assert (coded.raw_of("b"), coded.allowed) == (1, "a or b")
    with pytest.raises(AnswerImpossible, match="code 3, which is undefined"):
        coded.decode(b"\x03")
    ends = Field(name="x", scale=0.1, low=1.0, high=2.0, unit="V")
    for raw, fine in ((9, False), (10, True), (20, True), (21, False)):
        if fine:
            assert ends.decode(bytes([raw])) == pytest.approx(raw / 10)
        else:
            with pytest.raises(ReadingImplausible, match=r"is outside 1 to 2"):
                ends.decode(bytes([raw]))
    shared = Field(name="x", scale=2.0, divisor=lambda _: 4.0)
    assert shared.on_bench(NOBODY).number(b"\x06") == 3.0
    assert shared.allowed == "a number"


def test_choices_in_words() -> None:
    """Five whole numbers in a row by their ends, four one by one; flags by their names."""
    assert _choice([1, 2, 3, 4, 5]) == "1 to 5"
    assert _choice([1, 2, 3, 4]) == "1, 2, 3 or 4"
    assert _choice([1, 2, 3, 4, 6]) == "1, 2, 3, 4 or 6"
    assert _choice(["a", "b"]) == "a or b"
    assert _choice([False, True]) == "on or off"
    assert flag_words({"x": 0, "y": 2}) == {
        0: "none", 1: "x", 2: "none", 3: "x", 4: "y", 5: "x, y", 6: "y", 7: "x, y",
    }  # fmt: skip
    assert flag_words({}) == {0: "none"}
