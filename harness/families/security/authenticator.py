"""EEPROM of 1 Kbit with a secret and SHA-1: 33h, 2Fh.

    0000-007F four pages of 32, read freely, written with a MAC    0080-0087 the secret
    0088 protects secret and 008C-008F, 0089 all pages, 008A user byte, 008B factory
    byte, 008C zeros only in page 1, 008D protects page 0; AAh or 55h is for ever
    008E-008F user or maker's number    0090-0097 copy of the ROM code

A MAC proves the secret without giving it away: page, ROM code and a challenge are
hashed with it. Commands are in ``memory``, the hash in ``mac``, the
checks of MACs, secrets and protection in ``challenge``, ``secret_change`` and
``protection``.

What a 2Fh hashes its maker gives out on request only; put that layout into a file and
name it as ``block_layout``. Without one, MACs of a 2Fh are held against each other
only, and it cannot be written here.

No secret stands in a message, in evidence or in what a session remembers, and none
stays in the scratchpad, which anybody can read.

Sources: data sheets family 33h (parts DS2432 p. 3-20, DS1961S p. 7-24); family 2Fh (part
DS28E01-100), abridged, p. 1: same commands by name, codes from memory. Values of MP,
the answer 00h to a wrong MAC, and all times but 2 ms and 10 ms: from memory.
"""

from __future__ import annotations

import secrets

from harness.errors import AnswerImpossible, UsageError
from harness.families.common.answers import shown
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
from harness.families.security import commands
from harness.families.security.challenge import PAGE_LAYOUT, page_check
from harness.families.security.mac import MAC_BYTES, Layout
from harness.families.security.memory import (
    ROM_AT,
    ROW,
    copy,
    read_memory,
    registers,
    stage,
    write_row,
)
from harness.families.security.options import SECRET, secret_of
from harness.families.security.protection import (
    PROTECT_CHECK,
    PROTECTION,
    STATE_CHECK,
)
from harness.families.security.secret_change import compute_check, load_check
from harness.records import Measurement

SIZE = 0x80


# -- quantities --------------------------------------------------------------------


def _rom_copy(session: Session) -> Answer:
    copied = read_memory(session, ROM_AT, 8)
    return Answer(value=copied == session.rom.wire, evidence={"copy": shown(copied)})


_QUANTITIES = (
    PROTECTION,
    Quantity(
        name="factory_byte",
        unit="",
        read=lambda session: Answer(value=f"{registers(session)[3]:02X}"),
        about="AA or 55, fixed",
    ),
    Quantity(
        name="user_bytes",
        unit="",
        read=lambda session: Answer(value=shown(registers(session)[6:8])),
        about="two bytes for the user, or a maker's number",
    ),
    Quantity(
        name="rom_copy_matches",
        unit="",
        read=_rom_copy,
        about="true if the ROM code in memory is that of the search",
    ),
)


# -- writing -----------------------------------------------------------------------


def _write(session: Session, options: Options) -> Findings:
    secret = secret_of(options)
    data, start = options.data("data"), options.whole("start")
    if start + len(data) > SIZE:
        raise UsageError(f"{len(data)} bytes at {start:04X}h do not fit into {SIZE}")
    first, end = start - start % ROW, start + len(data)
    length = -(-end // ROW) * ROW - first
    held = read_memory(session, first, length)
    session.note("memory before writing", start=first, content=held.hex().upper())
    wanted = held[: start - first] + data + held[end - first :]
    for at in range(0, length, ROW):
        write_row(session, first + at, wanted[at : at + ROW], secret)
    got = read_memory(session, first, length)
    wrong = sum(a != b for a, b in zip(got, wanted, strict=True))
    return Findings(
        measurements=(
            Measurement(name="bytes_written", value=len(data), unit="bytes"),
            Measurement(name="bytes_different", value=wrong, unit="bytes", high=0),
        ),
        evidence={"start": start},
    )


def _wrong_mac(session: Session, options: Options) -> Findings:
    """Stages what is there already, so that even a part that takes it loses nothing."""
    held = read_memory(session, 0, ROW)
    stage(session, 0, held)
    try:
        copy(session, 0, secrets.token_bytes(MAC_BYTES), what="copy with a wrong MAC")
        refused = False
    except AnswerImpossible:
        refused = True
    unchanged = read_memory(session, 0, ROW) == held
    return Findings(
        measurements=(
            Measurement(name="wrong_mac_refused", value=refused, wanted=True),
            Measurement(name="content_unchanged", value=unchanged, wanted=True),
        )
    )


# -- rows --------------------------------------------------------------------------


def _checks(layout: Layout | None) -> tuple[Check, ...]:
    return (
        page_check(layout),
        load_check(layout),
        Check(
            name="wrong_mac",
            about="a write with a wrong MAC is refused; loses nothing even if it is not",
            run=_wrong_mac,
        ),
        STATE_CHECK,
        *memory_checks(Memory(size=SIZE, read=read_memory)),
    )


_WRITE = Check(
    name="authenticated_write",
    about="writes memory with the MAC of each row, and reads it back",
    run=_write,
    leaves=frozenset({"memory_verify", "user_bytes"}),
    options=by_name(
        SECRET,
        Option.data("data", "content", required=True),
        Option.whole("start", "first address", default=0, low=0, high=SIZE - 1),
    ),
    hazards=frozenset({Hazard.MEMORY_WEAR}),
    expected_s=0.5,
)
_DESTRUCTIVE = "a replaced secret is lost; protection is for ever; writing wears cells"

FAMILIES = (
    Family(
        code=0x33,
        name="EEPROM, 1 Kbit, SHA-1",
        device_class="authenticator",
        typical_parts="DS2432, DS1961S",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(
            *_checks(PAGE_LAYOUT), compute_check(PAGE_LAYOUT), _WRITE, PROTECT_CHECK
        ),
        looks=looks("protection", "rom_copy_matches"),
        commands=commands.COMMANDS,
        restarts=commands.RESTARTS,
        destructive=_DESTRUCTIVE,
        facts="CRC-16 on scratchpad, page and MAC; none on memory: read twice",
    ),
    Family(
        code=0x2F,
        name="EEPROM, 1 Kbit, SHA-1, block layout on request",
        device_class="authenticator",
        typical_parts="DS28E01-100",
        quantities=by_name(*_QUANTITIES),
        checks=by_name(*_checks(None)),
        looks=looks("protection", "rom_copy_matches"),
        commands=commands.COMMANDS,
        restarts=commands.RESTARTS,
        destructive=_DESTRUCTIVE,
        facts="as 33h; MACs are computed only with a layout from the maker",
    ),
)
