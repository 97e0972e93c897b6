"""Slots behind a selection: what they say, by the family's rows of commands.

Where the family is not known, or has no row for the command, bytes are searched for the
check values of the bus. A CRC that fits by chance is one in 65,536 for each place with
CRC-16; CRC-8 is looked for where a block of nine bytes ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from harness.errors import SlotproofError
from harness.families.command import Crc, Effect, Place, Sender, Span, Status
from harness.families.registry import Kinds
from harness.families.transactions import Piece, SeenCommand, commands_in
from harness.recordings.decoding.sides import SlotSide
from harness.wire.crc import CRC16_RESIDUE, crc8, crc16

_BLOCK = 9
_MOST_SEARCHED = 1 << 16
_MOST_SHOWN = 20
"""Bytes shown of a part: a MAC in full."""
_MOST_PIECES = 8

_SIDES = {Sender.HOST: SlotSide.HOST, Sender.DEVICE: SlotSide.DEVICE}


@dataclass(frozen=True, slots=True, kw_only=True)
class FunctionPhase:
    """What the slots behind a selection say.

    Attributes:
        lines: one sentence for each thing that could be determined.
        wrong: what does not hold.
        checks: number of check values that hold.
        commands: the commands, as far as the family's rows have them.
        refused: stores that the device did not confirm.
        sides: a ``SlotSide`` for each slot as far as it is known, one byte each.
    """

    lines: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    checks: int = 0
    commands: tuple[SeenCommand, ...] = ()
    refused: tuple[str, ...] = ()
    sides: bytes = field(default=b"", repr=False)


NOTHING = FunctionPhase()


def has_rom_command(kinds: Kinds, family: int, code: int) -> bool:
    """True if a family has a row for this command in place of a selection."""
    return any(
        row.place is Place.ROM and row.code[:1] == bytes([code])
        for row in kinds.family_of(family).commands
    )


def has_command(kinds: Kinds, family: int, code: int) -> bool:
    """True if a family has a row for this command behind a selection."""
    return any(
        row.place is Place.FUNCTION and row.code[:1] == bytes([code])
        for row in kinds.family_of(family).commands
    )


def read_functions(
    kinds: Kinds,
    bits: NDArray[np.uint8],
    family: int | None,
    place: Place = Place.FUNCTION,
) -> FunctionPhase:
    """What the slots behind a selection say.

    Args:
        kinds: those that are known.
        bits: the slots.
        family: family code of the selected device, None if not known.
        place: behind a selection, or in place of one.
    """
    return _read(kinds, bits.tobytes(), family, place)


@lru_cache(maxsize=1024)
def _read(kinds: Kinds, bits: bytes, family: int | None, place: Place) -> FunctionPhase:
    # what a controller does, it does again and again: most transactions are old ones
    if len(bits) < 8:
        return NOTHING
    whole = np.frombuffer(bits, np.uint8)[: len(bits) // 8 * 8]
    data = np.packbits(whole, bitorder="little").tobytes()
    rows = kinds.family_of(family).commands if family is not None else ()
    seen = commands_in(bits, rows, place) if rows else []
    if not seen or seen[0].command is None:
        return _by_checks(data)
    sides = bytearray(len(bits))
    lines: list[str] = []
    wrong: list[str] = []
    for command in seen:
        _note_sides(command, sides)
        lines.append(_line(command))
        wrong += _mistakes(command)
    return FunctionPhase(
        lines=tuple(lines),
        wrong=tuple(wrong),
        checks=sum(
            piece.right is True and isinstance(piece.part, Crc)
            for command in seen
            for piece in command.pieces
        ),
        commands=tuple(seen),
        refused=tuple(text for command in seen if (text := _refusal(command))),
        sides=bytes(sides),
    )


# -- by rows -------------------------------------------------------------------------


def _note_sides(seen: SeenCommand, sides: bytearray) -> None:
    for at in range(seen.at, min(seen.at + 8 * len(seen.code), len(sides))):
        sides[at] = SlotSide.HOST
    for piece in seen.pieces:
        if not piece.slots:
            continue
        part = piece.part
        side = SlotSide.DEVICE
        if isinstance(part, Span | Crc):
            side = _SIDES[part.sender]
        end = min(piece.at + piece.slots, len(sides))
        sides[piece.at : end] = bytes([side]) * (end - piece.at)


def _line(seen: SeenCommand) -> str:
    if seen.command is None:
        return f"{seen.code.hex(' ').upper()}: no command of this family"
    said = [(piece, text) for piece in seen.pieces if (text := _piece_text(piece))]
    shown = ", ".join(text for _, text in said[:_MOST_PIECES])
    shown += _rest_text([piece for piece, _ in said[_MOST_PIECES:]])
    return f"{seen.command.name}: {shown}" if shown else seen.command.name


def _rest_text(rest: list[Piece]) -> str:
    """Parts that are too many to be shown, such as the pages of a whole memory."""
    if not rest:
        return ""
    crcs = [piece.right for piece in rest if isinstance(piece.part, Crc)]
    count = sum(len(piece.data) for piece in rest if isinstance(piece.part, Span))
    wrong = f", {crcs.count(False)} wrong" if False in crcs else ""
    held = f" with {crcs.count(True)} CRCs right{wrong}" if crcs else ""
    return f", and {count} more bytes{held}"


def _piece_text(piece: Piece) -> str:
    part = piece.part
    if isinstance(part, Crc):
        kind = "CRC-8" if part.length == 1 else "CRC-16"
        whose = "the host's " if part.sender is Sender.HOST else ""
        return f"{whose}{kind} {_CRC_VERDICTS[piece.right]}"
    if isinstance(part, Status):
        return f"{part.name} {'over' if piece.whole else 'going on'}"
    if isinstance(part, Span) and piece.data:
        return _span_text(part, piece)
    return ""


_CRC_VERDICTS = {None: "cut", True: "right", False: "wrong"}


def _span_text(span: Span, piece: Piece) -> str:
    if span.confidential and set(piece.data) != {span.filler}:
        return f"{span.name} ({len(piece.data)} bytes, not shown)"
    text = f"{span.name} {hex_text(piece.data)}"
    words = _words(piece)
    return f"{text} ({words})" if words else text


def hex_text(data: bytes, *, most: int = _MOST_SHOWN) -> str:
    """Bytes as hex digits, the first ``most`` of them, and how many more there are."""
    more = len(data) - most
    shown = data[:most].hex(" ").upper()
    return f"{shown} and {more} more bytes" if more > 0 else shown


def _words(piece: Piece) -> str:
    part = piece.part
    if not isinstance(part, Span) or part.words is None or not piece.whole:
        return ""
    try:
        return part.words(piece.data)
    except (SlotproofError, ValueError, IndexError):
        return ""


def _mistakes(seen: SeenCommand) -> Iterator[str]:
    name = seen.command.name if seen.command else ""
    for piece in seen.pieces:
        part = piece.part
        if piece.right is False:
            what = _piece_text(piece) if isinstance(part, Crc) else _span_fault(piece)
            yield f"{name}: {what}"


def _refusal(seen: SeenCommand) -> str:
    """What a device answered to a store instead of its confirmation; empty if nothing.

    The rows say which bytes confirm it: alternating ones and zeros until the reset, and
    of some parts zeros.
    """
    row = seen.command
    if row is None or row.effect not in {Effect.STORED, Effect.FOR_EVER}:
        return ""
    for piece in seen.pieces:
        part = piece.part
        confirms = part.confirms if isinstance(part, Span) else frozenset()
        if piece.data and confirms and not confirms & set(piece.data):
            return f"{row.name}: answered by {hex_text(piece.data)}"
    return ""


def _span_fault(piece: Piece) -> str:
    part = piece.part
    name = part.name if isinstance(part, Span) else ""
    allowed = sorted(part.values) if isinstance(part, Span) else []
    expected = " or ".join(f"{value:02X}h" for value in allowed[:4])
    return f"{name} is {hex_text(piece.data)}, expected {expected}"


# -- without rows --------------------------------------------------------------------


def _by_checks(data: bytes) -> FunctionPhase:
    # the first byte is a command: the host writes it
    sides = bytes([SlotSide.HOST]) * 8
    kind, found = "CRC-16", _crc16_ends(data)
    if not found:
        kind, found = "CRC-8", _crc8_ends(data)
    if not found:
        return FunctionPhase(sides=sides)
    shown = ", ".join(str(end) for end in found[:4])
    more = f" and {len(found) - 4} more" if len(found) > 4 else ""
    return FunctionPhase(
        lines=(f"{kind} right at the end of byte {shown}{more}",),
        checks=len(found),
        sides=sides,
    )


def _crc16_ends(data: bytes) -> list[int]:
    """Ends of stretches with a right CRC-16, one behind the other, from the command on."""
    ends, register, begin = [], 0, 0
    for at, byte in enumerate(data[:_MOST_SEARCHED]):
        register = crc16((byte,), register)
        if register == CRC16_RESIDUE and at - begin >= 2:
            ends.append(at + 1)
            register, begin = 0, at + 1
    return ends


def _crc8_ends(data: bytes) -> list[int]:
    """Ends of blocks of nine bytes behind the command whose CRC-8 holds."""
    block = data[1 : 1 + _BLOCK]
    if len(block) == _BLOCK and any(block) and crc8(block) == 0:
        return [1 + _BLOCK]
    return []
