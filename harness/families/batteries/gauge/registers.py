"""Register file of battery gauges: 69h read, 6Ch write.

    69h addr        bytes from there on       6Ch addr data   written, nothing answered

No check value anywhere, and measured registers move: a reading counts once two in a
row agree. Writes to locked or read-only places are ignored in silence, so everything
is read back.

Sources: data sheets of families 30h (parts DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and
22-23, DS2762 p. 5 and 12), 2Eh (DS2770 p. 11-15), 36h (DS2740 p. 6).
"""

from __future__ import annotations

from harness.errors import AnswerImpossible, CheckValueWrong
from harness.families.common.answers import shown
from harness.families.common.register_map import Field
from harness.families.family import Answer, Quantity, Session

READ, WRITE = 0x69, 0x6C

_READINGS = 6

VOLTAGE = Field(
    name="voltage",
    offset=0x0C,
    count=2,
    shift=5,
    scale=0.00488,
    unit="V",
    signed=True,
    order="big",
    about="of the cell",
)
TEMPERATURE = Field(
    name="temperature",
    offset=0x18,
    count=2,
    shift=5,
    scale=0.125,
    unit="degC",
    signed=True,
    order="big",
    about="of the part",
)


def read_registers(session: Session, address: int, count: int) -> bytes:
    """Registers of one burst; two readings in a row must agree.

    Raises:
        CheckValueWrong: no two of six readings in a row do.
        DeviceAbsent: the answer ends in ones and the device does not answer.
    """
    command = bytes([READ, address])
    before = session.transact(command, count)
    for _ in range(_READINGS - 1):
        again = session.transact(command, count)
        if again == before:
            if again[-1] == 0xFF or not any(again):
                # silence reads as ones, a held line as zeros
                session.verify()
            return again
        before = again
    raise CheckValueWrong(
        f"registers from {address:02X}h never read the same twice in a row, at last "
        f"{shown(before)}",
        hint="this part has no check value: look at edges and noise, then repeat",
    )


def write_registers(
    session: Session, address: int, data: bytes, *, mask: bytes | None = None
) -> None:
    """Write registers and read them back.

    Args:
        session: the device.
        address: the first of them.
        data: what to write.
        mask: bits of each byte that must read back; all unless given.

    Raises:
        AnswerImpossible: they read otherwise.
        CheckValueWrong, DeviceAbsent: see ``read_registers``.
    """
    session.transact(bytes([WRITE, address]) + data)
    got = read_registers(session, address, len(data))
    kept = mask or b"\xff" * len(data)
    if any((a ^ b) & m for a, b, m in zip(got, data, kept, strict=True)):
        raise AnswerImpossible(
            f"registers from {address:02X}h read {shown(got)} after writing {shown(data)}",
            hint="a locked or read-only place ignores writes in silence; else repeat",
        )


def decode(session: Session, field: Field) -> float | int:
    """One field by its address."""
    block = read_registers(session, field.offset, field.count)
    return field.number(bytes(field.offset) + block)


def quantity(field: Field) -> Quantity:
    """A field of the register file as a quantity."""

    def read(session: Session) -> Answer:
        block = read_registers(session, field.offset, field.count)
        return Answer(
            value=field.decode(bytes(field.offset) + block),
            evidence={"registers": block.hex(" ").upper()},
        )

    return Quantity(name=field.name, unit=field.unit, read=read, about=field.about)
