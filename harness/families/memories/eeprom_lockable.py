"""EEPROM 14h: 256 bit, and a 64-bit application register that locks once.

    F0h addr   read memory; loads the EEPROM into the scratchpad, so it comes first
    0Fh addr   write scratchpad     AAh addr   read it      55h A5h   copy all 32 bytes
    99h addr   write register pad   C3h addr   read it      5Ah A5h   copy and lock
    66h 00h    status: FFh open, FCh locked

No check value anywhere: everything is read twice, and addresses wrap.

Source: data sheet family 14h (part DS2430A, 19-5236) p. 5-8 and 14.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, CheckValueWrong, UsageError
from harness.families.common.answers import read_twice, shown
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
from harness.families.memories import commands, restarts
from harness.records import Measurement

SIZE, REGISTER_SIZE = 32, 8
READ_MEMORY, WRITE_PAD, READ_PAD, COPY = 0xF0, 0x0F, 0xAA, 0x55
WRITE_REGISTER, READ_REGISTER, LOCK, READ_STATUS = 0x99, 0xC3, 0x5A, 0x66
VALIDATION = 0xA5
OPEN, LOCKED = 0xFF, 0xFC

_COPY_S = 0.010


def _read(session: Session, address: int, length: int) -> bytes:
    return _twice(session, READ_MEMORY, address, length, "memory")


def _twice(
    session: Session, command: int, address: int, length: int, what: str
) -> bytes:
    opening = bytes([command, address])
    return read_twice(
        session,
        lambda: session.transact(opening, length),
        what=f"{what} at {address:02X}h",
    )


def _write(session: Session, address: int, data: bytes) -> None:
    """All 32 bytes are copied at once, so the others are loaded first."""
    held = bytearray(_read(session, 0, SIZE))
    if address + len(data) > SIZE:
        raise UsageError(f"{len(data)} bytes at {address:02X}h do not fit into {SIZE}")
    held[address : address + len(data)] = data
    wanted = bytes(held)
    session.transact(bytes([WRITE_PAD, 0]) + wanted)
    _require(_twice(session, READ_PAD, 0, SIZE, "scratchpad"), wanted, "scratchpad")
    session.hold_strong_pull_up(bytes([COPY, VALIDATION]), _COPY_S)
    # reading memory loads the scratchpad, so this shows what the cells hold
    got = _read(session, 0, SIZE)
    if got != wanted:
        raise AnswerImpossible(
            f"memory reads {shown(got)} after copying {shown(wanted)}",
            hint="the cells did not take it: supply during the copy, or a worn device",
        )


def _require(got: bytes, wanted: bytes, what: str) -> None:
    if got != wanted:
        raise CheckValueWrong(
            f"the {what} reads {shown(got)}, sent was {shown(wanted)}"
        )


def _is_locked(session: Session) -> bool:
    status = _twice(session, READ_STATUS, 0, 1, "status")[0]
    if status not in {OPEN, LOCKED}:
        raise AnswerImpossible(f"status {status:02X}h is neither FFh nor FCh")
    return status == LOCKED


def _register(session: Session) -> bytes:
    return _twice(session, READ_REGISTER, 0, REGISTER_SIZE, "application register")


def _lock_register(session: Session, options: Options) -> Findings:
    data = options.data("data")
    if len(data) != REGISTER_SIZE:
        raise UsageError(
            f"data has {len(data)} bytes", hint=f"expected {REGISTER_SIZE} bytes"
        )
    if _is_locked(session):
        raise AnswerImpossible("the application register is locked already")
    session.transact(bytes([WRITE_REGISTER, 0]) + data)
    _require(_register(session), data, "application register")
    session.hold_strong_pull_up(bytes([LOCK, VALIDATION]), _COPY_S)
    got = _register(session)
    return Findings(
        measurements=(
            Measurement(name="register_locked", value=_is_locked(session), wanted=True),
            Measurement(
                name="application_register",
                value=got.hex(" ").upper(),
                wanted=data.hex(" ").upper(),
            ),
        )
    )


FAMILIES = (
    Family(
        code=0x14,
        name="EEPROM, 256 bit, one-time register",
        device_class="memory",
        typical_parts="DS2430A, DS1971",
        commands=commands.LOCKABLE,
        restarts=restarts.LOCKABLE,
        quantities=by_name(
            Quantity(
                name="application_register",
                unit="",
                read=lambda session: Answer(value=_register(session).hex(" ").upper()),
                about="eight bytes; the pad's content until they are locked",
            ),
            Quantity(
                name="register_locked",
                unit="",
                read=lambda session: Answer(value=_is_locked(session)),
                about="true once the application register is locked",
            ),
        ),
        checks=by_name(
            *memory_checks(
                Memory(
                    size=SIZE,
                    read=_read,
                    write=_write,
                    hazards=frozenset({Hazard.MEMORY_WEAR}),
                )
            ),
            Check(
                name="register_lock",
                about="writes the application register and locks it; once in a lifetime",
                run=_lock_register,
                leaves=frozenset({"register_locked", "application_register"}),
                options=by_name(Option.data("data", "the eight bytes", required=True)),
                hazards=frozenset({Hazard.LOCK}),
            ),
        ),
        looks=looks("register_locked", "application_register"),
        destructive="the application register locks for ever; writing wears cells",
        facts="no check values: read twice",
    ),
)
