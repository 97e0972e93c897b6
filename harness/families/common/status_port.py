"""Ports of two channels whose status byte proves itself: a 3Ah, and the channels of a 42h.

    F5h                  status, over and over
    write new ~new       AAh, then status; repeats
    status               b0 pin A, b1 latch A, b2 pin B, b3 latch B, b7:4 inverted b3:0

There is no CRC: the halves of a status prove each other, and it is read twice. The kinds
differ in the code of the write command and in what their outputs may switch.

Sources: data sheets families 3Ah (part DS2413, rev 3/15) p. 6 and 16-17, and 42h (part
DS28EA00) p. 10-12.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, CheckValueWrong, DeviceAbsent
from harness.families.command import OPEN, Again, Command, Effect, Part, device, host
from harness.families.common.ports import Ports, PortState, write_confirmed
from harness.families.family import Hazard, Session

READ = 0xF5

_UNUSED = 0xFC

CONFIRMATION = frozenset({0xAA})


def nibbles(status: int) -> PortState:
    """Two channels in a status byte whose high half is the complement of the low half.

    Raises:
        DeviceAbsent: all ones.
        AnswerImpossible: the halves are no complements.
    """
    if status == 0xFF:
        raise DeviceAbsent("no device drives the line: status FFh")
    if status >> 4 ^ 0x0F != status & 0x0F:
        raise AnswerImpossible(
            f"status {status:02X}h: its high half must be the inverse of its low half",
            hint="noise on the way: repeat; if it stays look at edges",
        )
    return PortState(
        levels=status & 1 | status >> 1 & 2, latches=status >> 1 & 1 | status >> 2 & 2
    )


def _read(session: Session) -> PortState:
    first, second = session.transact(bytes([READ]), 2)
    state = nibbles(first)
    if first != second:
        nibbles(second)
        raise CheckValueWrong(
            f"two readings differ: status {first:02X}h, then {second:02X}h",
            hint="noise, or an input that moves: a status has no CRC; repeat",
        )
    return state


def status_port(write: int, *hazards: Hazard) -> Ports:
    """The port of a kind.

    Args:
        write: code of its write command.
        hazards: of switching its outputs.
    """

    def drive(session: Session, latches: int) -> None:
        nibbles(write_confirmed(session, write, _UNUSED | latches))

    return Ports(
        channels=("a", "b"), read=_read, drive=drive, hazards=frozenset(hazards)
    )


def _in_words(status: bytes) -> str:
    """Two channels of the last status byte."""
    last = status[-1]
    words = [
        f"{name}: latch {last >> 2 * n + 1 & 1}, pin {last >> 2 * n & 1}"
        for n, name in enumerate("AB")
    ]
    return ", ".join(words)


def status_commands(write: int, source: str) -> tuple[Command, Command]:
    """Rows of both commands.

    Args:
        write: code of the write command.
        source: data sheet and page.
    """
    read = Command(
        name="read ports",
        code=bytes([READ]),
        parts=(
            device(
                "status",
                OPEN,
                about="b0 pin A, b1 latch A, b2 pin B, b3 latch B, b7:4 their inverse",
                words=_in_words,
            ),
        ),
        source=source,
    )
    return read, write_command(write, device("status", words=_in_words), source)


def write_command(code: int, answer: Part, source: str) -> Command:
    """Row of a write command that is confirmed by AAh before its answer."""
    return Command(
        name="write ports",
        code=bytes([code]),
        parts=(
            Again(
                (
                    host("latches", about="1 is off"),
                    host("inverse"),
                    device("confirmation", values=CONFIRMATION),
                    answer,
                )
            ),
        ),
        effect=Effect.VOLATILE,
        about="with a wrong inverse nothing changes, and FFh is read until the reset",
        source=source,
    )
