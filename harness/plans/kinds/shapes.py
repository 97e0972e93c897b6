"""Memory, ports and conditional search of a description, as the shapes that exist."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from harness.errors import AnswerImpossible, UsageError
from harness.families.common import scratchpad
from harness.families.common.answers import shown
from harness.families.common.conditional import answered, search_check
from harness.families.common.memory import Memory
from harness.families.common.ports import Ports, PortState
from harness.families.common.scratchpad import Scratchpad
from harness.families.family import Check, Findings, Options, Session, Setting
from harness.families.hazard import Hazard
from harness.plans.kinds.exchanges import do_all
from harness.plans.kinds.registers import BlockTraffic
from harness.plans.schema.kind.shapes import (
    ConditionalSearch,
    MemoryShape,
    PortsShape,
    ScratchpadShape,
)
from harness.plans.schema.transact import bytes_of
from harness.records import Scalar

Configure = Callable[[Session, Mapping[str, Scalar], bool], object]


# -- memory --------------------------------------------------------------------------


def memory_of(shape: MemoryShape) -> Memory:
    """The memory of a description."""
    hazards = frozenset(map(Hazard, shape.hazards))
    if shape.scratchpad is not None:
        part = _scratchpad(shape, shape.scratchpad)
        return Memory(
            size=shape.size,
            read=lambda session, at, length: scratchpad.read_plain(
                session, part, at, length
            ),
            write=lambda session, at, data: scratchpad.write(session, part, at, data),
            hazards=hazards,
        )
    return Memory(
        size=shape.size,
        read=partial(_read, shape),
        write=partial(_write, shape) if shape.write else None,
        hazards=hazards,
    )


def _scratchpad(shape: MemoryShape, pad: ScratchpadShape) -> Scratchpad:
    return Scratchpad(
        size=shape.size,
        pad_bytes=pad.pad_bytes,
        copy_s=pad.copy_ms / 1000,
        done=frozenset(bytes_of(pad.done)),
        write_crc=pad.write_crc,
        read_crc=pad.read_crc,
        whole_rows=pad.whole_rows,
        copy_command=pad.copy_command,
    )


def _gaps(shape: MemoryShape, row: int) -> dict[str, bytes]:
    address = shape.first_address + row * shape.row
    return {
        "row": bytes([shape.first_row + row]),
        "address": address.to_bytes(shape.address_bytes, "little"),
    }


def _require_inside(shape: MemoryShape, at: int, length: int) -> None:
    if at < 0 or at + length > shape.size:
        raise UsageError(
            f"{length} bytes at {at:02X}h do not lie in {shape.size} bytes"
        )


def _read_row(shape: MemoryShape, session: Session, row: int) -> bytes:
    return do_all(session, shape.read, _gaps(shape, row))


def _read(shape: MemoryShape, session: Session, at: int, length: int) -> bytes:
    _require_inside(shape, at, length)
    first, last = at // shape.row, (at + max(length, 1) - 1) // shape.row
    data = b"".join(_read_row(shape, session, row) for row in range(first, last + 1))
    start = at - first * shape.row
    return data[start : start + length]


def _write(shape: MemoryShape, session: Session, at: int, data: bytes) -> None:
    """Row by row; what shares a row with the bytes keeps its content."""
    _require_inside(shape, at, len(data))
    while data:
        row, place = divmod(at, shape.row)
        piece, data = data[: shape.row - place], data[shape.row - place :]
        held = _read_row(shape, session, row)
        wanted = held[:place] + piece + held[place + len(piece) :]
        do_all(session, shape.write, {**_gaps(shape, row), "data": wanted})
        got = _read_row(shape, session, row)
        if got != wanted:
            raise AnswerImpossible(
                f"row {row} reads {shown(got)} after writing {shown(wanted)}",
                hint="the cells did not take it: supply during the store, or a worn device",
            )
        at += len(piece)


# -- ports ---------------------------------------------------------------------------


def ports_of(shape: PortsShape, blocks: BlockTraffic) -> Ports:
    """The ports of a description."""

    def read(session: Session) -> PortState:
        word = int.from_bytes(blocks.read(session, shape.block), "little")
        return PortState(
            levels=_gathered(word, shape.levels), latches=_gathered(word, shape.latches)
        )

    def drive(session: Session, latches: int) -> None:
        value = latches | 0xFF & ~((1 << len(shape.channels)) - 1)
        gaps = {"latches": bytes([value]), "inverse": bytes([value ^ 0xFF])}
        do_all(session, shape.drive, gaps)

    return Ports(
        channels=shape.channels,
        read=read,
        drive=drive,
        hazards=frozenset(map(Hazard, shape.hazards)),
    )


def _gathered(word: int, places: tuple[int, ...]) -> int:
    """The bits at these places, one beside the other."""
    return sum((word >> place & 1) << bit for bit, place in enumerate(places))


# -- conditional search --------------------------------------------------------------


def search_of(
    shape: ConditionalSearch,
    blocks: BlockTraffic,
    settings: Mapping[str, Setting],
    configure: Configure,
) -> Check:
    """The check of the conditional search of a description."""

    def look(session: Session, wanted: Mapping[str, Scalar]) -> bool:
        configure(session, wanted, False)
        if shape.conversion is not None:
            blocks.convert(session, shape.conversion)
        return session.meets_condition()

    def run(session: Session, _options: Options) -> Findings:
        return answered(
            met=look(session, shape.met),
            unmet=look(session, shape.unmet),
            evidence={"met": dict(shape.met), "unmet": dict(shape.unmet)},
        )

    named = {*shape.met, *shape.unmet}
    return search_check(
        run,
        condition=shape.condition,
        hazards=frozenset(h for name in named for h in settings[name].hazards),
    )
