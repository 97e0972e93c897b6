"""Write-once memory 09h (1 Kbit), 0Bh (16 Kbit), 0Fh (64 Kbit), programmed by 12 V.

A bit goes from 1 to 0, once, by a pulse of 12 V on the data line after the device
has answered address and data with a check value: CRC-8 for 09h, CRC-16 for the
others. The device cannot judge it; the pulse is withheld here if it is wrong.

    0Fh TA1 TA2 d   check, [pulse], read-back; then d, check, [pulse], read-back ..
    55h             the same for the status: page protection and redirection bytes
    F0h, A5h, AAh   read memory, memory with redirection bytes, status

From the second byte on the check value is that of the byte alone, the register
loaded with the new address (its low byte for 09h). The pulse stands on the whole
line and destroys parts rated 6 V: nothing is programmed unless a search finds this
device alone.

Sources: data sheets families 0Bh and 0Fh (parts DS2505, DS2506) p. 4-14; family 09h
(part DS2502) p. 5-12; pulse of 480 to 5000 us at 11.5 to 12 V: the maker's support
note on writing that part. Status layout of 09h beyond page 5: from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.errors import AnswerImpossible, UsageError
from harness.families.common.answers import read_records, require_crc8, require_crc16
from harness.families.common.memory import Memory, memory_checks
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.families.memories import commands
from harness.records import Measurement

READ_MEMORY, EXTENDED_READ, READ_STATUS = 0xF0, 0xA5, 0xAA
WRITE_MEMORY, WRITE_STATUS = 0x0F, 0x55
PAGE = 32

_PULSE_S = 0.001
"""Within 480 to 5000 us, with room for a slow modem line."""

_PULSES = 3
"""Tries at a byte before it is given up."""

_ONCE = frozenset({Hazard.WRITE_ONCE, Hazard.PROGRAMMING_12_V})


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What differs between the sizes.

    Attributes:
        size: bytes of data memory.
        redirection: status address of page 0's redirection byte.
        is_short: True for 09h: CRC-8, and another reading of memory and status.
    """

    size: int
    redirection: int
    is_short: bool = False

    @property
    def pages(self) -> int:
        """Pages of 32 bytes."""
        return self.size // PAGE

    def prove(self, sent: bytes, received: bytes, what: str, start: int = 0) -> bytes:
        """An answer without its check value; see ``common.answers``."""
        if self.is_short:
            return require_crc8(sent, received, what=what, start=start & 0xFF)
        return require_crc16(sent, received, what=what, start=start)

    @property
    def check_bytes(self) -> int:
        """Length of a check value."""
        return 1 if self.is_short else 2


def _opening(command: int, address: int) -> bytes:
    return bytes([command]) + address.to_bytes(2, "little")


# -- reading -----------------------------------------------------------------------


def read_memory(session: Session, part: Part, address: int, length: int) -> bytes:
    """Bytes of the data memory, proved by check values.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answers say.
    """
    if part.is_short:
        data = _read_short(session, READ_MEMORY, address, part.size, "memory")
        return data[:length]
    sizes = [1, PAGE - address % PAGE]
    while sum(sizes[1::2]) < length:
        sizes += [1, PAGE]
    records = read_records(
        session, _opening(EXTENDED_READ, address), sizes, what=f"page at {address:04X}h"
    )
    return b"".join(records[1::2])[:length]


def _read_short(
    session: Session, command: int, address: int, end: int, what: str
) -> bytes:
    """09h: check of the opening, then everything to the end and its check."""
    opening = _opening(command, address)
    received = session.transact(opening, 1)
    require_crc8(opening, received, what=f"answer to {command:02X}h")
    return require_crc8(b"", session.more(read=end - address + 1), what=what)


def read_status(session: Session, part: Part, address: int, length: int) -> bytes:
    """Status bytes from an 8-byte boundary, proved by check values."""
    if part.is_short:
        return _read_short(session, READ_STATUS, address, 8, "status")[:length]
    records = read_records(
        session,
        _opening(READ_STATUS, address),
        [8] * -(-length // 8),
        what=f"status at {address:03X}h",
    )
    return b"".join(records)[:length]


def _protected(session: Session, part: Part) -> list[int]:
    """Pages whose protection bit is programmed."""
    bits = int.from_bytes(
        read_status(session, part, 0, max(1, part.pages // 8)), "little"
    )
    return [page for page in range(part.pages) if not bits >> page & 1]


def _redirected(session: Session, part: Part) -> dict[int, int]:
    """Page -> page that stands in for it."""
    if part.is_short:
        found = read_status(session, part, 0, 8)[part.redirection :][: part.pages]
    else:
        found = read_status(session, part, part.redirection, part.pages)
    return {page: byte ^ 0xFF for page, byte in enumerate(found) if byte != 0xFF}


# -- programming -------------------------------------------------------------------


def program(
    session: Session, part: Part, command: int, address: int, data: bytes
) -> None:
    """Program bytes one by one, each proved before its pulse and read back after it.

    Raises:
        CheckValueWrong: the device did not hear what was sent; no pulse was given.
        AnswerImpossible: a byte did not take, or others share the line.
    """
    if not session.is_alone():
        raise AnswerImpossible(
            "other devices share the line; the programming pulse would destroy them",
            hint="one write-once device alone on an isolated line",
        )
    in_hand = False
    for place, byte in enumerate(data):
        at = address + place
        in_hand = _program_byte(session, part, command, at, byte, in_hand=in_hand)


def _program_byte(
    session: Session, part: Part, command: int, at: int, byte: int, *, in_hand: bool
) -> bool:
    """One byte; True if the transaction can go on with the next address."""
    got = 0
    for _ in range(_PULSES):
        what = f"check of {byte:02X}h for {at:04X}h"
        if in_hand:
            received = session.more(bytes([byte]), part.check_bytes)
            part.prove(bytes([byte]), received, what, start=at)
        else:
            message = _opening(command, at) + bytes([byte])
            part.prove(message, session.transact(message, part.check_bytes), what)
        session.program_pulse(_PULSE_S)
        got = session.more(read=1)[0]
        if got == byte:
            return True
        if byte & ~got:
            break  # bits are gone that should stay: no pulse brings them back
        in_hand = False  # the device's address has moved on
    raise AnswerImpossible(
        f"{at:04X}h reads {got:02X}h after the pulse, wanted {byte:02X}h",
        hint="measure the programming voltage at the socket; the page may be protected",
    )


def _memory_program(part: Part, session: Session, options: Options) -> Findings:
    given = [name for name in ("file", "data") if options.given(name)]
    if len(given) != 1:
        raise UsageError("memory_program needs its content", hint="give file or data")
    data, start = options.data(given[0]), options.whole("start")
    if start + len(data) > part.size:
        raise UsageError(f"{len(data)} bytes at {start:04X}h do not fit")
    before = read_memory(session, part, start, len(data))
    blocked = [i for i in range(len(data)) if data[i] & ~before[i]]
    if blocked:
        at = blocked[0]
        raise AnswerImpossible(
            f"{len(blocked)} bytes cannot be had, the first at {start + at:04X}h: it is "
            f"{before[at]:02X}h, wanted {data[at]:02X}h, and no 0 becomes a 1; nothing was "
            "programmed",
            hint="use a blank part, or another page",
        )
    session.note("memory before programming", start=start, content=before.hex().upper())
    program(session, part, WRITE_MEMORY, start, data)
    got = read_memory(session, part, start, len(data))
    wrong = sum(a != b for a, b in zip(got, data, strict=True))
    return Findings(
        measurements=(
            Measurement(name="bytes_programmed", value=len(data), unit="bytes"),
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0),
        ),
        evidence={"start": start},
    )


def _page_protect(part: Part, session: Session, options: Options) -> Findings:
    page = options.whole("page")
    if page >= part.pages:
        raise UsageError(f"there is no page {page}", hint=f"0 to {part.pages - 1}")
    before = read_status(session, part, page // 64 * 8, 8)
    place = page % 64 // 8
    byte = before[place] & ~(1 << page % 8)
    program(session, part, WRITE_STATUS, page // 8, bytes([byte]))
    return Findings(
        measurements=(
            Measurement(
                name=f"page_{page}_protected",
                value=page in _protected(session, part),
                wanted=True,
            ),
        )
    )


# -- rows --------------------------------------------------------------------------


def _quantities(part: Part) -> tuple[Quantity, ...]:
    def protected(session: Session) -> Answer:
        pages = _protected(session, part)
        return Answer(value=len(pages), evidence={"pages": pages})

    def redirected(session: Session) -> Answer:
        pages = _redirected(session, part)
        shown = [f"{page} to {other}" for page, other in pages.items()]
        return Answer(value=len(pages), evidence={"pages": shown})

    def programmed(session: Session) -> Answer:
        data = read_memory(session, part, 0, part.size)
        return Answer(value=sum(byte != 0xFF for byte in data))

    return (
        Quantity(
            name="protected_pages",
            unit="pages",
            read=protected,
            about="pages that can never be programmed again",
        ),
        Quantity(
            name="redirected_pages",
            unit="pages",
            read=redirected,
            about="pages that name another page in their stead",
        ),
        Quantity(
            name="programmed_bytes",
            unit="bytes",
            read=programmed,
            about="bytes of data memory that are not blank",
        ),
    )


def _checks(part: Part) -> tuple[Check, ...]:
    def read(session: Session, address: int, length: int) -> bytes:
        return read_memory(session, part, address, length)

    def bound(
        run: Callable[[Part, Session, Options], Findings],
    ) -> Callable[[Session, Options], Findings]:
        return lambda session, options: run(part, session, options)

    return (
        *memory_checks(Memory(size=part.size, read=read)),
        Check(
            name="memory_program",
            about="programs a file or bytes by 12 V pulses; can never be undone",
            run=bound(_memory_program),
            leaves=frozenset({"memory_verify", "programmed_bytes", "redirected_pages"}),
            options=by_name(
                Option.whole("start", "first address", default=0, low=0),
                Option.file("file", "file with the content"),
                Option.data("data", "the content in hex"),
            ),
            hazards=_ONCE,
        ),
        Check(
            name="page_protect",
            about="freezes one page by a 12 V pulse; can never be undone",
            run=bound(_page_protect),
            leaves=frozenset({"protected_pages"}),
            options=by_name(Option.whole("page", "which page", required=True, low=0)),
            hazards=_ONCE | {Hazard.LOCK},
        ),
    )


_SHORT = Part(size=0x80, redirection=0x01, is_short=True)
_MIDDLE = Part(size=0x800, redirection=0x100)
_LARGE = Part(size=0x2000, redirection=0x100)


def _family(code: int, part: Part, kbit: int, parts: str) -> Family:
    custom = ", customised" if code & 0x80 else ""
    return Family(
        code=code,
        name=f"write-once memory, {kbit} Kbit{custom}",
        device_class="memory",
        typical_parts=parts,
        quantities=by_name(*_quantities(part)),
        checks=by_name(*_checks(part)),
        looks=looks("protected_pages", "redirected_pages"),
        commands=commands.WRITE_ONCE_SHORT
        if part.is_short
        else commands.write_once(part.size - 1),
        destructive="every programmed bit, page protection; 12 V harms other parts",
        facts="CRC-8 throughout" if part.is_short else "CRC-16 throughout",
    )


FAMILIES = (
    _family(0x09, _SHORT, 1, "DS2502, DS1982, BQ2022A"),
    _family(0x0B, _MIDDLE, 16, "DS2505, DS1985"),
    _family(0x0F, _LARGE, 64, "DS2506, DS1986"),
    _family(0x89, _SHORT, 1, "DS2502-E48"),
    _family(0x8B, _MIDDLE, 16, "DS2505 customised"),
    _family(0x8F, _LARGE, 64, "DS2506 customised"),
)
