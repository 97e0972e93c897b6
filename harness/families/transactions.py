"""Slots behind a selection, cut into commands by the rows of a family.

Pure: bits in, records out. The rows decide everything (``families.command``), so what a
recording or a port shows of any family is read here without code of that family.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from harness.families.command import (
    ADDRESS,
    CODE,
    Again,
    Chosen,
    Command,
    Counted,
    Crc,
    CrcKind,
    CrcStart,
    Length,
    Part,
    Place,
    Programming,
    Rest,
    Span,
    Status,
    ToAddress,
    ToPageEnd,
    UntilReset,
)
from harness.wire.crc import crc8, crc16_sent


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One part of a command as it was seen.

    Attributes:
        part: its row. ``Rest`` and ``Programming`` take no slots.
        at: its first slot, counted from the selection's end.
        slots: how many it took.
        data: whole bytes; of a ``Status`` the level of each slot, one byte each.
        whole: False if the transaction ended within it.
        right: of a CRC and of bytes with listed values whether they hold; None for
            all others, and for what is not whole.
    """

    part: Span | Crc | Status | Rest | Programming
    at: int
    slots: int
    data: bytes = b""
    whole: bool = True
    right: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCommand:
    """One command as it was seen.

    Attributes:
        command: its row; None if the family has no command of that code.
        at: its first slot, counted from the selection's end.
        code: the bytes of its code.
        pieces: what followed.
        beyond: slots behind the last part, where a device takes no further command;
            ones, unless another device drives.
        unfinished: True if the slots ended within the code, or before all bytes and CRCs
            that belong to it; a status may be left out.
    """

    command: Command | None
    at: int
    code: bytes
    pieces: tuple[Piece, ...] = ()
    beyond: bytes = b""
    unfinished: bool = False

    def data(self, name: str) -> bytes:
        """All bytes of the parts of a name, in order; empty if there are none."""
        return b"".join(
            piece.data
            for piece in self.pieces
            if isinstance(piece.part, Span) and piece.part.name == name
        )

    @property
    def crcs_right(self) -> bool:
        """True if no CRC and no byte with listed values is wrong."""
        return all(piece.right is not False for piece in self.pieces)


def commands_in(
    slots: Sequence[int],
    commands: Sequence[Command],
    place: Place = Place.FUNCTION,
) -> list[SeenCommand]:
    """Cut the slots behind a selection, or behind a reset, into commands.

    Args:
        slots: level of each slot, 1 or 0, as the line had it.
        commands: rows of the device's family.
        place: where the slots begin.
    """
    tape = _Tape(bytes(slots))
    rows = [row for row in commands if row.place is place]
    found: list[SeenCommand] = []
    while tape.left:
        seen = _command(tape, rows)
        found.append(seen)
        if seen.command is None or not seen.command.goes_on:
            break
        # what is in place of a selection is followed by what stands behind one
        rows = [row for row in commands if row.place is Place.FUNCTION]
    return found


# -- how it is cut -------------------------------------------------------------------


class _Ended(Exception):
    """The slots are over."""


class _NotAsked(_Ended):
    """The slots are over where a host may ask how far the device is."""


@dataclass(slots=True)
class _Tape:
    """Slots that are read once, from front to back."""

    bits: bytes
    at: int = 0

    @property
    def left(self) -> int:
        return len(self.bits) - self.at

    def take(self, count: int) -> bytes:
        taken = self.bits[self.at : self.at + count]
        self.at += len(taken)
        return taken

    def take_bytes(self, count: int) -> bytes:
        """Up to ``count`` whole bytes; slots of a byte cut short are passed over."""
        bits = self.take(8 * count)
        return bytes(
            sum(bit << n for n, bit in enumerate(bits[i : i + 8]))
            for i in range(0, len(bits) - len(bits) % 8, 8)
        )


@dataclass(slots=True)
class _Progress:
    """What went before within one command."""

    seen: dict[str, bytes]
    base: int = 0
    moved: int = 0
    pieces: list[Piece] = field(default_factory=list)

    @property
    def address(self) -> int:
        return self.base + self.moved

    def length(self, length: Length, left: int) -> int:
        match length:
            case ToPageEnd(size):
                return size - self.address % size
            case ToAddress(last):
                return max(0, last + 1 - self.address)
            case Counted(by):
                return self.seen[by][0]
            case UntilReset():
                return -(-left // 8)
            case _:
                return length


def _command(tape: _Tape, rows: Sequence[Command]) -> SeenCommand:
    at = tape.at
    row, code = _row(tape, rows)
    state = _Progress(seen={CODE: code})
    if row is None:
        data = tape.take(tape.left)
        return SeenCommand(command=None, at=at, code=code, beyond=data)
    unfinished = code != row.code
    try:
        _take_all(row.parts, tape, state)
    except _NotAsked:
        pass
    except _Ended:
        unfinished = True
    beyond = b"" if row.goes_on else tape.take(tape.left)
    return SeenCommand(
        command=row,
        at=at,
        code=code,
        pieces=tuple(state.pieces),
        beyond=beyond,
        unfinished=unfinished,
    )


def _row(tape: _Tape, rows: Sequence[Command]) -> tuple[Command | None, bytes]:
    """The row whose code comes next; of a code cut short the row if only one fits."""
    code, fitting = b"", list(rows)
    while fitting:
        only = fitting[0] if len(fitting) == 1 else None
        if only is not None and only.code == code:
            return only, code
        further = tape.take_bytes(1)
        if not further:
            return only, code
        code += further
        fitting = [row for row in fitting if row.code.startswith(code)]
    return None, code


def _take_all(parts: Sequence[Part], tape: _Tape, state: _Progress) -> None:
    for part in parts:
        _take(part, tape, state)


def _take(part: Part, tape: _Tape, state: _Progress) -> None:
    match part:
        case Again(parts):
            while tape.left:
                _take_all(parts, tape, state)
        case Chosen():
            value = state.seen[part.by][0] & part.mask
            _take_all(part.cases.get(value, ()), tape, state)
        case Rest() | Programming():
            state.pieces.append(Piece(part=part, at=tape.at, slots=0))
        case Status():
            state.pieces.append(_status(part, tape))
        case Crc():
            _crc(part, tape, state)
        case Span():
            _span(part, tape, state)


def _bytes(tape: _Tape, count: int) -> tuple[int, int, bytes]:
    """First slot, slots taken, whole bytes.

    Raises:
        _Ended: none are left.
    """
    if count and not tape.left:
        raise _Ended
    at = tape.at
    data = tape.take_bytes(count)
    return at, tape.at - at, data


def _span(part: Span, tape: _Tape, state: _Progress) -> None:
    wanted = state.length(part.length, tape.left)
    at, slots, data = _bytes(tape, wanted)
    is_open = isinstance(part.length, UntilReset)
    whole = len(data) == wanted or is_open
    allowed = not part.values or all(byte in part.values for byte in data)
    state.pieces.append(
        Piece(
            part=part,
            at=at,
            slots=slots,
            data=data,
            whole=whole,
            right=allowed if part.values and whole else None,
        )
    )
    if not whole:
        raise _Ended
    state.seen[part.name] = data
    if part.name == ADDRESS:
        state.base, state.moved = int.from_bytes(data, "little"), 0
    if part.moves:
        state.moved += len(data)


def _crc(part: Crc, tape: _Tape, state: _Progress) -> None:
    covered = b"".join(state.seen[name] for name in part.covers)
    wanted = computed(part, covered, state.address)
    at, slots, data = _bytes(tape, part.length)
    whole = len(data) == part.length
    right = data == wanted if whole else None
    state.pieces.append(
        Piece(part=part, at=at, slots=slots, data=data, whole=whole, right=right)
    )
    if not whole:
        raise _Ended


def computed(crc: Crc, covered: bytes, address: int = 0) -> bytes:
    """The bytes of a CRC as they must be on the wire.

    Args:
        crc: its row.
        covered: the bytes that it covers, in order.
        address: the current address, for registers that begin with it.
    """
    start = {
        CrcStart.ZERO: 0,
        CrcStart.ADDRESS: address & 0xFFFF,
        CrcStart.ADDRESS_LOW: address & 0xFF,
    }[crc.start]
    if crc.kind is CrcKind.CRC8:
        return bytes([crc8(covered, start)])
    return crc16_sent(covered, start)


def _status(part: Status, tape: _Tape) -> Piece:
    if not tape.left:
        raise _NotAsked
    at = tape.at
    levels = (part.counted and tape.take(part.counted)) or bytes(_waiting(part, tape))
    ready = part.counted == len(levels) or part.ready in levels
    return Piece(part=part, at=at, slots=len(levels), data=levels, whole=ready)


def _waiting(part: Status, tape: _Tape) -> Iterator[int]:
    """Slots until the device is ready, and all that follow where ready is a one."""
    while tape.left:
        (level,) = tape.take(1)
        yield level
        if level == part.ready:
            break
    if part.ready == 1:
        yield from tape.take(tape.left)
