"""Battery-backed RAM: 08h, 06h, 0Ah, 0Ch, and the memory of 04h.

Written through a 32-byte scratchpad as EEPROM is, without wear and without any
check value, so all is read twice. The clock of a 04h is not treated.

Sources: data sheets families 08h and 06h (parts DS1992, DS1993) p. 6 and 10-11;
family 0Ch (part DS1996) p. 5-8. What 0Ah and 0Ch show after a copy is not in the
data sheets at hand: zeros and the alternating pattern are both taken.
"""

from __future__ import annotations

from harness.families.common import scratchpad
from harness.families.common.memory import Memory, first_bytes, memory_checks
from harness.families.common.scratchpad import ALTERNATING, ZEROS, Scratchpad
from harness.families.family import Family, Register, Session, by_name, looks
from harness.families.memories import commands, restarts

_COPY_S = 0.001
"""A copy takes 30 us; nothing behind USB is that quick."""

_REGISTER = Register(
    write=bytes([scratchpad.WRITE, 0, 0]),
    read=bytes([scratchpad.READ]),
    block=3 + 8,
    offset=3,
    size=8,
    mask=b"\xff" * 8,
    prove=lambda block: block,
)


def _memory(size: int) -> Memory:
    part = Scratchpad(
        size=size,
        pad_bytes=32,
        copy_s=_COPY_S,
        done=ALTERNATING | ZEROS,
        write_crc=False,
        read_crc=False,
    )

    def read(session: Session, address: int, length: int) -> bytes:
        return scratchpad.read_plain(session, part, address, length)

    def write(session: Session, address: int, data: bytes) -> None:
        scratchpad.write(session, part, address, data)

    return Memory(size=size, read=read, write=write)


def _ram(code: int, kbit: int, parts: str, name: str = "") -> Family:
    memory = _memory(kbit * 128)
    return Family(
        code=code,
        name=name or f"battery-backed RAM, {kbit} Kbit",
        device_class="memory",
        typical_parts=parts,
        quantities=by_name(first_bytes(memory)),
        checks=by_name(*memory_checks(memory)),
        looks=looks("first_bytes"),
        register=_REGISTER,
        commands=commands.RAM,
        restarts=restarts.PAD,
        facts="no check values: read twice",
    )


FAMILIES = (
    _ram(0x08, 1, "DS1992"),
    _ram(0x06, 4, "DS1993"),
    _ram(0x0A, 16, "DS1995"),
    _ram(0x0C, 64, "DS1996"),
    _ram(
        0x04, 4, "DS1994, DS2404", name="battery-backed RAM, 4 Kbit, clock not treated"
    ),
)
