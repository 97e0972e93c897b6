"""Registers of a description: the rows of its blocks as a register map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from harness.errors import AnswerImpossible, ReadingImplausible
from harness.families.batteries.sense_resistor import CurrentSense
from harness.families.common.answers import shown
from harness.families.common.conversion import conversion_counted
from harness.families.common.register_map import Access, Field, RegisterMap, as_hex
from harness.families.family import Session
from harness.families.hazard import Hazard
from harness.plans.kinds.exchanges import do, do_all
from harness.plans.schema.kind.file import Kind
from harness.plans.schema.kind.rows import BlockRow, RegisterRow
from harness.plans.schema.transact import bytes_of

_ACCESS = {
    "read": Access.READ,
    "write": Access.WRITE,
    "read-write": Access.READ_WRITE,
}


_SENSE = CurrentSense(read_counts=lambda _session: 0, count_uv=0, update_s=0)
"""Only for the resistor that the bench declares; nothing is counted by it."""


class BlockTraffic:
    """How a described device answers for its blocks, and how they are written."""

    def __init__(self, kind: Kind) -> None:
        self._kind = kind
        self._names = list(kind.blocks)

    def number(self, name: str) -> int:
        """Number of a block, for the register map."""
        return self._names.index(name)

    def read(self, session: Session, name: str) -> bytes:
        """A block, proved; raises as ``do_all``."""
        block = self._kind.blocks[name]
        do_all(session, block.before)
        return do(session, block, {})

    def read_number(self, session: Session, row: Field) -> bytes:
        """The block of a row."""
        return self.read(session, self._names[row.block])

    def write(self, session: Session, number: int, old: bytes, new: bytes) -> None:
        """Write a block and read it back.

        Raises:
            AnswerImpossible: it reads back otherwise; and what ``do_all`` raises.
        """
        name = self._names[number]
        block = self._kind.blocks[name]
        assert block.change is not None  # else no row of it is written
        do_all(session, block.change.exchanges, {"data": new, "old": old})
        got = self.read(session, name)
        mask = _kept(block, new)
        if any((a ^ b) & m for a, b, m in zip(got, new, mask, strict=True)):
            raise AnswerImpossible(
                f"{name} reads {shown(got)}, written was {shown(new)}",
                hint="the device did not take it: look at noise and supply, then repeat",
            )

    def convert(self, session: Session, conversion: str) -> None:
        """Make a conversion and wait for it; raises as ``do_all``."""
        exchanges = self._kind.conversions[conversion]
        if conversion != self._kind.convert_all:
            do_all(session, exchanges)
            return
        with conversion_counted(session):  # a result that later readings may use
            do_all(session, exchanges)


def _kept(block: BlockRow, new: bytes) -> bytes:
    assert block.change is not None
    return bytes_of(block.change.keeps) or b"\xff" * len(new)


def map_of(kind: Kind, blocks: BlockTraffic) -> RegisterMap:
    """The register map of a description."""
    rows = {row.name: row for row in kind.registers}
    return RegisterMap(
        read=blocks.read_number,
        write=blocks.write,
        evidence=as_hex("block"),
        fields=tuple(
            _field(row, rows, blocks, kind.convert_all) for row in kind.registers
        ),
    )


def _field(
    row: RegisterRow,
    rows: Mapping[str, RegisterRow],
    blocks: BlockTraffic,
    convert_all: str | None,
) -> Field:
    plain = _plain(row, blocks)
    needs = rows[row.needs.register_] if row.needs else None
    if row.conversion is None and needs is None and not row.sign_extended:
        return plain
    needed = _plain(needs, blocks) if needs else None
    measured = replace(plain, read=partial(_read, row, plain, needed, blocks))
    if row.conversion is None or row.conversion != convert_all:
        return measured
    kept = row.model_copy(update={"conversion": None})
    return replace(measured, reread=partial(_read, kept, plain, needed, blocks))


def _plain(row: RegisterRow, blocks: BlockTraffic) -> Field:
    return Field(
        name=row.name,
        about=row.about,
        block=blocks.number(row.block),
        offset=row.at,
        count=row.bytes,
        shift=row.shift,
        bits=row.bits or 0,
        scale=row.scale,
        bias=row.offset,
        unit=row.unit,
        signed=row.signed,
        order=row.order,
        codes=row.meanings,
        zeros=row.never_set,
        low=row.low,
        high=row.high,
        access=_ACCESS[row.access],
        setting=row.setting or "",
        reset=row.after_power_up,
        hazards=frozenset(map(Hazard, row.hazards)),
        governs=frozenset(row.governs),
        divisor=_SENSE.sense_mohm if row.divided_by else None,
        safe=row.safe,
    )


def _read(
    row: RegisterRow,
    plain: Field,
    needed: Field | None,
    blocks: BlockTraffic,
    session: Session,
) -> bytes:
    """The block of a row: after a conversion, and only if it means anything."""
    if row.conversion is not None:
        blocks.convert(session, row.conversion)
    block = blocks.read(session, row.block)
    if needed is not None and row.needs is not None:
        value = needed.decode(block)
        if value != row.needs.value:
            raise ReadingImplausible(
                f"{row.name} means nothing while {needed.name} is {value}",
                hint=f"set {needed.key}: {row.needs.value}",
            )
    if row.sign_extended:
        _require_sign_extended(row, plain, block)
    return block


def _require_sign_extended(row: RegisterRow, plain: Field, block: bytes) -> None:
    word = int.from_bytes(block[plain.span], plain.order)
    lower = row.shift + (row.bits or 0)
    ones = (1 << 8 * row.bytes - lower) - 1
    if word >> lower != (ones if plain.raw(block) < 0 else 0):
        raise AnswerImpossible(
            f"{row.name} bytes {shown(block[plain.span])} are no sign-extended "
            f"{row.bits} bits"
        )
