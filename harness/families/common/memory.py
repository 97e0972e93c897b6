"""Memory checks that any family with readable memory can offer.

``memory_verify`` compares with a file, bytes or a pattern. ``memory_write`` writes a
file or bytes and reads them back. ``memory_pattern`` writes test patterns and puts
back what it found, also after an error or Ctrl-C; what it found is in the journal
before the first byte is changed, so that even a power cut loses nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from harness.errors import AnswerImpossible, UsageError
from harness.families.common.answers import shown
from harness.families.common.restore import restored
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
)
from harness.records import Measurement

_FIRST = 8

Fill = Callable[[int], int]
"""Address to byte."""


def _walking(step: int) -> Fill:
    return lambda at: 1 << (at + step) % 8


def _constant(value: int) -> Fill:
    return lambda _: value


def _board(phase: int) -> Fill:
    return lambda at: 0x55 if (at + phase) % 2 else 0xAA


def _own_address(at: int) -> int:
    # the high byte turned over, so that pages differ where the low byte repeats
    return (at ^ (at >> 8) * 0x1D) & 0xFF


PATTERNS: dict[str, tuple[Fill, ...]] = {
    "checkerboard": (_board(0), _board(1)),
    "walking-ones": tuple(_walking(step) for step in range(8)),
    "address": (_own_address,),
}
"""Passes of each test pattern: shorts between neighbours; stuck and coupled bits;
two addresses that lead to one byte."""

_FILLS: dict[str, Fill] = {
    "blank": _constant(0xFF),
    "zeros": _constant(0x00),
    "checkerboard": _board(0),
    "address": _own_address,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """A row of bytes that can be read and perhaps written.

    Attributes:
        size: bytes of the data area, from address 0.
        read: reads and proves ``length`` bytes from an address.
        write: writes bytes and proves them; None if there is no undoing it.
        hazards: what writing carries (wear, for EEPROM).
    """

    size: int
    read: Callable[[Session, int, int], bytes]
    write: Callable[[Session, int, bytes], None] | None = None
    hazards: frozenset[Hazard] = frozenset()


def first_bytes(memory: Memory) -> Quantity:
    """The beginning of a memory that has nothing else to be asked for."""
    return Quantity(
        name="first_bytes",
        unit="",
        read=lambda session: Answer(value=shown(memory.read(session, 0, _FIRST))),
        about=f"the first {_FIRST} bytes of memory, in hex",
    )


def memory_checks(memory: Memory) -> tuple[Check, ...]:
    """The checks that a memory allows: verify, and write and pattern where it may."""
    verify = Check(
        name="memory_verify",
        about="compares memory with a file, bytes, or a fill; changes nothing",
        run=lambda session, options: _verify(memory, session, options),
        options=by_name(
            *_SPAN,
            *_CONTENT,
            Option.text("fill", "wanted content by name", choices=tuple(_FILLS)),
        ),
        expected_s=memory.size * 16 * 70e-6 + 0.1,
    )
    decode = Check(
        name="memory_record",
        about="reads a record of the plan and holds its check values; changes nothing",
        run=lambda session, options: _decode(memory, session, options),
        options=by_name(_START, replace(_RECORD, required=True)),
    )
    if memory.write is None:
        return (verify, decode)
    return (
        verify,
        decode,
        Check(
            name="memory_write",
            about="writes a file or bytes and reads them back",
            run=lambda session, options: _write(memory, session, options),
            leaves=frozenset({"memory_verify", "first_bytes", "user_bytes"}),
            options=by_name(_START, *_CONTENT, _RECORD, _OVERWRITE),
            hazards=memory.hazards,
            expected_s=memory.size * 0.01,
        ),
        Check(
            name="memory_pattern",
            about="writes test patterns, reads them back, puts back what was there",
            run=lambda session, options: _pattern(memory, session, options),
            options=by_name(
                *_SPAN,
                Option.text(
                    "pattern",
                    "which pattern",
                    default="all",
                    choices=("all", *PATTERNS),
                ),
            ),
            hazards=memory.hazards,
            expected_s=memory.size * 0.1,
        ),
    )


_START = Option.whole("start", "first address", default=0, low=0)
_SPAN = (
    _START,
    Option.whole(
        "length", "number of bytes; default is up to the end of the data area", low=1
    ),
)
_CONTENT = (
    Option.file(
        "file",
        "file with the content, byte by byte; a relative path starts at the plan",
    ),
    Option.data("data", "the content in hex"),
)

_RECORD = Option.record("record", "the content as a record of the plan, field by field")
_OVERWRITE = Option.truth(
    "overwrite", "true to write a record where another one stands", default=False
)


def _content(options: Options) -> bytes | None:
    given = [name for name in ("file", "data") if options.given(name)]
    if len(given) > 1:
        raise UsageError("both file and data say what the content is", hint="give one")
    return options.data(given[0]) if given else None


def _span(memory: Memory, options: Options, content: bytes | None) -> tuple[int, int]:
    start = options.whole("start")
    if content is not None:
        length = len(content)
    elif options.given("length"):
        length = options.whole("length")
    else:
        length = memory.size - start
    if not 0 < length <= memory.size - start:
        raise UsageError(
            f"{length} bytes from {start:04X}h do not lie in the {memory.size} bytes of "
            "data memory"
        )
    return start, length


def _filled(fill: Fill, start: int, length: int) -> bytes:
    return bytes(fill(at) for at in range(start, start + length))


def _verify(memory: Memory, session: Session, options: Options) -> Findings:
    wanted = _content(options)
    if (wanted is None) == (not options.given("fill")):
        raise UsageError(
            "memory_verify needs something to compare with",
            hint="give one of file, data, fill",
        )
    start, length = _span(memory, options, wanted)
    if wanted is None:
        wanted = _filled(_FILLS[options.text("fill")], start, length)
    got = memory.read(session, start, length)
    places = [i for i in range(length) if got[i] != wanted[i]]
    evidence: dict[str, object] = {"start": start, "content": shown(got, most=256)}
    if places:
        evidence["first_differences"] = [
            f"{start + i:04X}h: {got[i]:02X}h, wanted {wanted[i]:02X}h"
            for i in places[:8]
        ]
    return Findings(
        measurements=(
            Measurement(name="bytes_compared", value=length, unit="bytes"),
            Measurement(
                name="bytes_different", value=len(places), unit="bytes", high=0
            ),
        ),
        evidence=evidence,
    )


def _write(memory: Memory, session: Session, options: Options) -> Findings:
    assert memory.write is not None  # a memory without it has no such check
    content = _content(options)
    if options.given("record"):
        if content is not None:
            raise UsageError("record beside file or data", hint="give one")
        return _write_record(memory, session, options)
    if content is None:
        raise UsageError(
            "memory_write needs the content", hint="give one of file, data, record"
        )
    start, length = _span(memory, options, content)
    before = memory.read(session, start, length)
    session.note("memory before writing", start=start, content=before.hex().upper())
    memory.write(session, start, content)
    got = memory.read(session, start, length)
    wrong = sum(a != b for a, b in zip(got, content, strict=True))
    return Findings(
        measurements=(
            Measurement(name="bytes_written", value=length, unit="bytes"),
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0),
        ),
        evidence={"start": start},
    )


# -- records -------------------------------------------------------------------

_BLANKS = (frozenset({0xFF}), frozenset({0x00}))
"""A memory that holds nothing: erased cells, or cells of RAM that were cleared."""


def _decode(memory: Memory, session: Session, options: Options) -> Findings:
    record = options.record("record")
    start, length = _span(memory, options, record.data)
    got = memory.read(session, start, length)
    return Findings(
        measurements=tuple(record.compare(got, b"")),
        evidence={"start": start, "content": shown(got, most=256)},
    )


def _write_record(memory: Memory, session: Session, options: Options) -> Findings:
    """Write a unit's record to the very device that it is for, and read it back.

    Raises:
        AnswerImpossible: another record stands there, and nothing was written.
        DeviceAbsent: the ROM code does not answer in this contact.
    """
    assert memory.write is not None  # a memory without it has no such check
    record = options.record("record")
    start, length = _span(memory, options, record.data)
    before = memory.read(session, start, length)
    held = before != record.data and frozenset(before) not in _BLANKS
    if held and not options.truth("overwrite"):
        raise AnswerImpossible(
            f"the {length} bytes from {start:04X}h hold something else than record "
            f"{record.name}: {shown(before)}; nothing was written",
            hint="a unit that was programmed before, or a device from another line: look at "
            "its label; overwrite: true writes over it",
            cause="configuration",
        )
    written = 0
    if before != record.data:
        # the same contact: whatever was put in since the search is no longer believed
        session.verify()
        session.note("memory before writing", start=start, content=before.hex().upper())
        record.before_sending(held)
        memory.write(session, start, record.data)
        written = length
    got = memory.read(session, start, length)
    wrong = sum(a != b for a, b in zip(got, record.data, strict=True))
    return Findings(
        measurements=(
            Measurement(name="bytes_written", value=written, unit="bytes"),
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0),
            *record.compare(got, record.data),
        ),
        evidence={
            "start": start,
            "record": record.name,
            "content": shown(got, most=256),
        },
    )


# -- patterns ------------------------------------------------------------------


def _pattern(memory: Memory, session: Session, options: Options) -> Findings:
    assert memory.write is not None  # a memory without it has no such check
    start, length = _span(memory, options, None)
    kept = memory.read(session, start, length)
    session.note("memory before the patterns", start=start, content=kept.hex().upper())
    name = options.text("pattern")
    passes = [
        (which, fill)
        for which, fills in PATTERNS.items()
        if name in {"all", which}
        for fill in fills
    ]
    wrong: dict[str, int] = {}
    with restored(
        session,
        lambda: _restore(memory, session, start, kept),
        what=f"the {length} bytes from {start:04X}h",
        hint="they are in the journal's note `memory before the patterns`: write them by "
        "memory_write",
        note="memory",
    ):
        for which, fill in passes:
            wanted = _filled(fill, start, length)
            memory.write(session, start, wanted)
            # only once all is written: an alias spoils what was right before
            got = memory.read(session, start, length)
            bits = sum((a ^ b).bit_count() for a, b in zip(got, wanted, strict=True))
            wrong[which] = wrong.get(which, 0) + bits
    return Findings(
        measurements=(
            Measurement(name="bytes_tested", value=length, unit="bytes"),
            Measurement(name="passes", value=len(passes), unit="passes"),
            Measurement(
                name="bits_wrong", value=sum(wrong.values()), unit="bits", high=0
            ),
            Measurement(name="content_restored", value=True, wanted=True),
        ),
        evidence={"start": start, "bits_wrong_by_pattern": wrong},
    )


def _restore(memory: Memory, session: Session, start: int, kept: bytes) -> None:
    """Write what was there before, and prove it by reading."""
    assert memory.write is not None
    memory.write(session, start, kept)
    if memory.read(session, start, len(kept)) != kept:
        raise AnswerImpossible("other bytes are read back")
    session.note("memory restored", start=start)
