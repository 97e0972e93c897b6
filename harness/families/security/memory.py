"""Traffic with memory that is written by a MAC: scratchpad, pages, secrets.

    0Fh AAh   write and read the scratchpad, eight bytes and CRC-16; E/S is 5Fh before
              a copy
    A5h       a page, FFh, CRC-16; 2 ms later its MAC, CRC-16, then AAh for ever
    55h       2 ms later the MAC from us; 10 ms later AAh, or 00h for a wrong one
    5Ah 33h   load or compute the secret; 10 ms later AAh
    F0h       memory, without a check value

A confidential row (``quiet``) stands in no message.

Sources: data sheets family 33h (parts DS2432 p. 13-20, DS1961S p. 16-24). The answer 00h
to a wrong MAC: from memory.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, CheckValueWrong, StillBusy
from harness.families.common.answers import read_twice, require_crc16, shown
from harness.families.family import Session
from harness.families.security.mac import MAC_BYTES, Layout, mac_of

WRITE_PAD, READ_PAD, COPY, READ_MEMORY = 0x0F, 0xAA, 0x55, 0xF0
LOAD_SECRET, NEXT_SECRET, READ_PAGE = 0x5A, 0x33, 0xA5
SECRET_AT, REGISTERS_AT, ROM_AT = 0x80, 0x88, 0x90
ROW, PAGE = 8, 32
READY, REFUSED, MISMATCH = 0x5F, 0xFF, 0x00
CLOSED = frozenset({0xAA, 0x55})
"""What a protection byte says once it is shut; also the end pattern of commands."""

COMPUTE_S, PROGRAM_S = 0.002, 0.010

COPY_LAYOUT = Layout.parse("SS0-3 PP0-27 SP0-7 MP FC S0-5 SS4-7 FFx3")


# -- scratchpad --------------------------------------------------------------------


def stage(session: Session, address: int, row: bytes, *, quiet: bool = False) -> None:
    """Write eight bytes to the scratchpad and read them back.

    Args:
        session: the device.
        address: where they are meant for.
        row: eight bytes.
        quiet: True if they must not be shown.

    Raises:
        CheckValueWrong, DeviceAbsent: a check value of the device is wrong.
        AnswerImpossible: it holds something else, as for a protected place.
    """
    message = bytes([WRITE_PAD]) + address.to_bytes(2, "little") + row
    answer = session.transact(message, 2)
    _proved(message, answer, "check of the scratchpad write", quiet=quiet)
    answer = session.transact(bytes([READ_PAD]), 3 + ROW + 2)
    block = _proved(bytes([READ_PAD]), answer, "scratchpad", quiet=quiet)
    wanted = address.to_bytes(2, "little") + bytes([READY])
    if block[:3] != wanted:
        raise AnswerImpossible(
            f"the scratchpad shows {shown(block[:3])}, wanted {shown(wanted)}",
            hint="a slot was lost on the way: repeat",
        )
    if block[3:] != row:
        what = "" if quiet else f" {shown(block[3:])} instead of {shown(row)}"
        raise AnswerImpossible(
            f"the device stages something else for {address:04X}h{what}",
            hint="this place is protected or takes zeros only: see its protection",
        )


def _proved(sent: bytes, received: bytes, what: str, *, quiet: bool) -> bytes:
    if not quiet:
        return require_crc16(sent, received, what=what)
    try:
        return require_crc16(sent, received, what=what)
    except CheckValueWrong:
        raise CheckValueWrong(f"{what}: the check bytes do not match") from None


def wipe(session: Session) -> None:
    """Put zeros where a secret may stand: anybody can read the scratchpad."""
    session.settle()
    stage(session, 0, bytes(ROW))


# -- reading -----------------------------------------------------------------------


def read_memory(session: Session, address: int, length: int) -> bytes:
    """Memory; it has no check value, so it is read twice.

    Raises:
        CheckValueWrong, DeviceAbsent: see ``read_twice``.
    """
    opening = bytes([READ_MEMORY]) + address.to_bytes(2, "little")
    what = f"memory at {address:04X}h"
    return read_twice(session, lambda: session.transact(opening, length), what=what)


def registers(session: Session) -> bytes:
    """The eight protection and user bytes."""
    return read_memory(session, REGISTERS_AT, 8)


def read_page(session: Session, page: int, pad: bytes) -> tuple[bytes, bytes]:
    """A page and its MAC, for a challenge in the scratchpad.

    Raises:
        CheckValueWrong, DeviceAbsent: a check value is wrong.
        AnswerImpossible: the device does not end as it must.
    """
    stage(session, page * PAGE, pad)
    opening = bytes([READ_PAGE]) + (page * PAGE).to_bytes(2, "little")
    answer = session.transact(opening, PAGE + 3)
    data = require_crc16(opening, answer, what=f"page {page}")
    if data[PAGE] != 0xFF:
        raise AnswerImpossible(f"{data[PAGE]:02X}h behind the page, wanted FFh")
    session.feed(COMPUTE_S)
    mac = require_crc16(b"", session.more(read=MAC_BYTES + 2), what="MAC")
    end = session.more(read=1)[0]
    if end not in CLOSED:
        raise AnswerImpossible(f"{end:02X}h behind the MAC, wanted AAh or 55h")
    return data[:PAGE], mac


def sources(session: Session, **given: bytes) -> dict[str, bytes]:
    """What blocks are filled from: the ROM code, and what is given."""
    wire = session.rom.wire
    return {"FC": wire[:1], "S": wire[1:7], "RC": wire, **given}


# -- writing with a MAC --------------------------------------------------------------


def require_done(session: Session, what: str) -> None:
    """The device's word that it wrote.

    Raises:
        AnswerImpossible: refused. StillBusy: neither done nor refused.
    """
    status = session.more(read=1)[0]
    if status == MISMATCH:
        raise AnswerImpossible(
            f"{what}: the device answers 00h, the MAC is not the one it computed",
            hint="the device holds another secret, or the data changed on the way",
        )
    if status == REFUSED:
        session.verify()
        raise AnswerImpossible(
            f"{what}: the device answers FFh, refused or never begun",
            hint="look at its protection, and at the supply during the write",
        )
    if status not in CLOSED:
        raise StillBusy(f"{what}: the device shows {status:02X}h after {PROGRAM_S:g} s")


def copy(session: Session, address: int, mac: bytes, *, what: str) -> None:
    """Copy what is staged, with its MAC.

    Raises:
        AnswerImpossible, StillBusy: see ``require_done``.
    """
    session.transact(bytes([COPY]) + address.to_bytes(2, "little") + bytes([READY]))
    session.feed(COMPUTE_S)
    session.more(mac)
    session.feed(PROGRAM_S)
    require_done(session, what)


def write_row(session: Session, address: int, row: bytes, secret: bytes) -> None:
    """Write eight bytes of a page, and read them back.

    Raises:
        AnswerImpossible: refused, or the memory holds something else.
    """
    page = address // PAGE
    held = read_memory(session, page * PAGE, PAGE)
    stage(session, address, row)
    block = COPY_LAYOUT.fill(
        sources(session, SS=secret, PP=held, SP=row, MP=bytes([page]))
    )
    copy(session, address, mac_of(block), what=f"copy to {address:04X}h")
    got = read_memory(session, address, ROW)
    if got != row:
        raise AnswerImpossible(
            f"memory at {address:04X}h reads {shown(got)} after writing {shown(row)}",
            hint="the cells did not take it: supply during the copy, or a worn device",
        )


def load_secret(session: Session, secret: bytes) -> None:
    """Replace the secret.

    Raises:
        AnswerImpossible, StillBusy: see ``require_done``.
    """
    stage(session, SECRET_AT, secret, quiet=True)
    command = bytes([LOAD_SECRET, SECRET_AT, 0, READY])
    session.hold_strong_pull_up(command, PROGRAM_S)
    require_done(session, "loading the secret")


def compute_secret(session: Session, page: int, partial_secret: bytes) -> None:
    """Have the device compute its next secret from this one, a page and eight bytes.

    Raises:
        AnswerImpossible, StillBusy: see ``require_done``.
    """
    stage(session, page * PAGE, partial_secret, quiet=True)
    opening = bytes([NEXT_SECRET]) + (page * PAGE).to_bytes(2, "little")
    session.hold_strong_pull_up(opening, COMPUTE_S + PROGRAM_S)
    require_done(session, "computing the next secret")
