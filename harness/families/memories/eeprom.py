"""EEPROM 2Dh (1 Kbit), 43h (20 Kbit) and 23h (4 Kbit), written through a scratchpad.

    2Dh   0000-007F four pages of 32, rows of 8; 0080-0083 their protection,
          0084 copy protection, 0085 factory byte, 0086-0087 user bytes
    43h   0000-09FF ten blocks of 256; 0A00-0A09 their protection, 0A1E block lock,
          0A1F register page lock
    23h   0000-01FF, no protection

A protection byte of 55h makes its part of the memory read-only, AAh lets bits go
from 1 to 0 only; either value locks the byte itself for ever, any other is open.

Sources: data sheets family 2Dh (part DS2431) p. 2-3, 7 and 12; family 43h (part
DS28EC20) p. 7-11, register addresses from a user's article; family 23h (part
DS2433) p. 4 and 6. That 43h checks later pages of an extended read alone: from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from harness.errors import AnswerImpossible, SlotproofError, UsageError
from harness.families.common import scratchpad
from harness.families.common.answers import read_records
from harness.families.common.memory import Memory, first_bytes, memory_checks
from harness.families.common.scratchpad import ALTERNATING, Scratchpad
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Register,
    Session,
    by_name,
    looks,
)
from harness.families.kind_facts import KindFacts, StoreFacts, stated, store_of
from harness.families.memories import commands, restarts
from harness.records import Measurement

EXTENDED_READ = 0xA5
WRITE_PROTECTED, ZEROS_ONLY = 0x55, 0xAA

_STATES = {WRITE_PROTECTED: "write-protected", ZEROS_ONLY: "zeros only"}
_VALUES = {words: value for value, words in _STATES.items()}

_WEAR = frozenset({Hazard.MEMORY_WEAR})
_LOCK = frozenset({Hazard.MEMORY_WEAR, Hazard.LOCK})


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """Where the protection bytes of a part stand.

    Attributes:
        unit: what one byte protects: page or block.
        first: address of the byte of unit 0.
        count: number of units.
        lock: address of the byte that blocks copies to protected units.
        unit_bytes: size of a unit.
    """

    unit: str
    first: int
    count: int
    lock: int
    unit_bytes: int


_PAD_2D = Scratchpad(
    size=0x90, pad_bytes=8, copy_s=0.010, done=ALTERNATING, whole_rows=True
)
_PAD_43 = Scratchpad(size=0xA40, pad_bytes=32, copy_s=0.010, done=ALTERNATING)
# whether 23h sends a CRC after its scratchpad differs between generations of the part
_PAD_23 = Scratchpad(
    size=0x200, pad_bytes=32, copy_s=0.005, done=ALTERNATING, read_crc=False
)

_PROTECTION_2D = Protection(unit="page", first=0x80, count=4, lock=0x84, unit_bytes=32)
_PROTECTION_43 = Protection(
    unit="block", first=0xA00, count=10, lock=0xA1E, unit_bytes=256
)


# -- reading with a CRC, where the part has one ----------------------------------


def read_extended(session: Session, address: int, length: int) -> bytes:
    """Bytes of a 43h, each page proved by its CRC-16.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answers say.
    """
    opening = bytes([EXTENDED_READ]) + address.to_bytes(2, "little")
    sizes = [32 - address % 32]
    while sum(sizes) < length:
        sizes.append(32)
    pages = read_records(session, opening, sizes, what=f"memory at {address:04X}h")
    return b"".join(pages)[:length]


# -- protection --------------------------------------------------------------------


def _protection_bytes(
    session: Session, part: Scratchpad, where: Protection
) -> tuple[bytes, int]:
    """The units' bytes, and the lock's."""
    block = scratchpad.read_plain(
        session, part, where.first, where.lock + 1 - where.first
    )
    return block[: where.count], block[-1]


def _words(where: Protection, states: bytes) -> str:
    closed = [
        f"{where.unit} {number} {_STATES[state]}"
        for number, state in enumerate(states)
        if state in _STATES
    ]
    return ", ".join(closed) or "all open"


def _protection_quantities(
    part: Scratchpad, where: Protection
) -> tuple[Quantity, Quantity]:
    def protection(session: Session) -> Answer:
        states, lock = _protection_bytes(session, part, where)
        return Answer(
            value=_words(where, states),
            evidence={"bytes": states.hex(" ").upper(), "lock": f"{lock:02X}"},
        )

    def blocked(session: Session) -> Answer:
        _, lock = _protection_bytes(session, part, where)
        return Answer(value=lock in _STATES, evidence={"lock": f"{lock:02X}"})

    return (
        Quantity(
            name="protection",
            unit="",
            read=protection,
            about=f"which {where.unit}s are protected, and how",
        ),
        Quantity(
            name="copies_blocked",
            unit="",
            read=blocked,
            about="true if copies to protected memory are blocked for good",
        ),
    )


def _protection_checks(part: Scratchpad, where: Protection) -> tuple[Check, Check]:
    def state(session: Session, options: Options) -> Findings:
        states, lock = _protection_bytes(session, part, where)
        wanted = options.text("wanted")
        right = sum(_STATES.get(state, "open") == wanted for state in states)
        return Findings(
            measurements=(
                Measurement(
                    name=f"{where.unit}s_{wanted.replace('-', '_').replace(' ', '_')}",
                    value=right,
                    unit=f"{where.unit}s",
                    low=where.count,
                ),
            ),
            evidence={"protection": _words(where, states), "lock": f"{lock:02X}"},
        )

    def protect(session: Session, options: Options) -> Findings:
        number, mode = options.whole("number"), options.text("mode")
        if number >= where.count:
            raise UsageError(
                f"there is no {where.unit} {number}", hint=f"0 to {where.count - 1}"
            )
        at = where.first + number
        scratchpad.write(session, part, at, bytes([_VALUES[mode]]))
        got = scratchpad.read_plain(session, part, at, 1)[0]
        return Findings(
            measurements=(
                Measurement(
                    name=f"{where.unit}_{number}",
                    value=_STATES.get(got, "open"),
                    wanted=mode,
                ),
            )
        )

    return (
        Check(
            name="protection_state",
            about=f"all {where.unit}s are protected as wanted; changes nothing",
            run=state,
            options=by_name(
                Option.text(
                    "wanted",
                    f"state of every {where.unit}",
                    default="open",
                    choices=("open", *_VALUES),
                )
            ),
        ),
        Check(
            name="protection_write",
            about=f"protects one {where.unit}; can never be undone",
            run=protect,
            leaves=frozenset({"protection", "protection_state", "copies_blocked"}),
            options=by_name(
                Option.whole("number", f"which {where.unit}", required=True, low=0),
                Option.text(
                    "mode",
                    "read-only, or bits from 1 to 0 only",
                    required=True,
                    choices=tuple(_VALUES),
                ),
            ),
            hazards=_LOCK,
        ),
    )


# -- rows --------------------------------------------------------------------------


def _plain_read(part: Scratchpad) -> Callable[[Session, int, int], bytes]:
    return lambda session, at, length: scratchpad.read_plain(session, part, at, length)


def _write(
    part: Scratchpad, where: Protection | None = None
) -> Callable[[Session, int, bytes], None]:
    def write(session: Session, at: int, data: bytes) -> None:
        try:
            scratchpad.write(session, part, at, data)
        except AnswerImpossible as fault:
            store = store_of(fault.facts)
            if where is None or store is None:
                raise
            raise _with_protection(session, part, where, fault, store) from fault

    return write


def _with_protection(
    session: Session,
    part: Scratchpad,
    where: Protection,
    fault: AnswerImpossible,
    store: StoreFacts,
) -> AnswerImpossible:
    """A failed store, with what the protection bytes say of its row."""
    try:
        states, lock = _protection_bytes(session, part, where)
    except SlotproofError:
        return fault  # the store failed, and now the part does not answer either
    unit = store.address // where.unit_bytes
    protection = f"{states.hex(' ').upper()}, lock {lock:02X}"
    store = replace(store, protection=protection)
    state = _STATES.get(states[unit]) if unit < where.count else None
    if state is None and store.protected:
        return fault
    if state is None:
        return AnswerImpossible(
            fault.what,
            hint=scratchpad.STORE_SUPPLY_HINT,
            cause="supply",
            facts=stated(KindFacts(store=store)),
        )
    store = replace(store, protected=f"in {where.unit} {unit}, {state}")
    return AnswerImpossible(
        f"{fault.what}; {where.unit} {unit} is {state}",
        hint="protection is for ever: write to an open page, or use another part",
        cause="configuration",
        facts=stated(KindFacts(store=store)),
    )


_FACTORY = Quantity(
    name="factory_byte",
    unit="",
    read=lambda session: Answer(
        value=scratchpad.read_plain(session, _PAD_2D, 0x85, 1).hex().upper()
    ),
    about="AA: user bytes fixed at the factory, 55: free",
)
_USER_BYTES = Quantity(
    name="user_bytes",
    unit="",
    read=lambda session: Answer(
        value=scratchpad.read_plain(session, _PAD_2D, 0x86, 2).hex(" ").upper()
    ),
    about="two bytes for the user, or a maker's number",
)
_MEMORY_2D = Memory(
    size=0x80,
    read=_plain_read(_PAD_2D),
    write=_write(_PAD_2D, _PROTECTION_2D),
    hazards=_WEAR,
)
_MEMORY_43 = Memory(
    size=0xA00, read=read_extended, write=_write(_PAD_43, _PROTECTION_43), hazards=_WEAR
)
_MEMORY_23 = Memory(
    size=0x200, read=_plain_read(_PAD_23), write=_write(_PAD_23), hazards=_WEAR
)
_PROTECTING = "protection bytes lock for ever"

FAMILIES = (
    Family(
        code=0x2D,
        name="EEPROM, 1 Kbit, page protection",
        device_class="memory",
        typical_parts="DS2431, DS1972, GX2431",
        commands=commands.EEPROM_2D,
        restarts=restarts.PAD_AND_RESUME,
        quantities=by_name(
            *_protection_quantities(_PAD_2D, _PROTECTION_2D), _FACTORY, _USER_BYTES
        ),
        checks=by_name(
            *memory_checks(_MEMORY_2D), *_protection_checks(_PAD_2D, _PROTECTION_2D)
        ),
        looks=looks("protection", "copies_blocked", "factory_byte"),
        destructive=f"{_PROTECTING}; writing wears cells",
        facts="CRC-16 on scratchpad, none on memory: read twice",
    ),
    Family(
        code=0x43,
        name="EEPROM, 20 Kbit, block protection",
        device_class="memory",
        typical_parts="DS28EC20",
        commands=commands.EEPROM_43,
        restarts=restarts.PAD_AND_RESUME,
        quantities=by_name(*_protection_quantities(_PAD_43, _PROTECTION_43)),
        checks=by_name(
            *memory_checks(_MEMORY_43), *_protection_checks(_PAD_43, _PROTECTION_43)
        ),
        looks=looks("protection", "copies_blocked"),
        destructive=f"{_PROTECTING}; writing wears cells",
        facts="CRC-16 on scratchpad and pages",
    ),
    Family(
        code=0x23,
        name="EEPROM, 4 Kbit",
        device_class="memory",
        typical_parts="DS2433, DS24B33, DS1973",
        commands=commands.EEPROM_23,
        restarts=restarts.PAD,
        quantities=by_name(first_bytes(_MEMORY_23)),
        checks=by_name(*memory_checks(_MEMORY_23)),
        looks=looks("first_bytes"),
        register=Register(
            write=bytes([scratchpad.WRITE, 0, 0]),
            read=bytes([scratchpad.READ]),
            block=3 + 8,
            offset=3,
            size=8,
            mask=b"\xff" * 8,
            prove=lambda block: block,
        ),
        destructive="writing wears cells",
        facts="CRC-16 on full scratchpad writes, none on memory: read twice",
    ),
)
