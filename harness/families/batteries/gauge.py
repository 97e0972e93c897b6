"""What the battery gauges share: registers, EEPROM in blocks, current and its account.

    69h addr        bytes from there on       6Ch addr data   written, nothing answered
    48h addr        shadow to EEPROM, a whole block, 10 ms; bit 7 of 07h meanwhile
    B8h addr        EEPROM to shadow
    6Ah addr        locks a block for ever, if bit 6 of 07h was set just before

    07h locks       0Ch voltage, 4.88 mV      0Eh current     10h account, 6.25 uVh
    18h temperature, 0.125 degC

There is no check value, and measured registers move: a reading counts once two in a row
agree. Writes to locked or read-only registers are ignored without notice, so each is
read back. Charging counts up.

Sources: data sheets DS2760 (family 30h) p. 7 and 11, DS2761 p. 8, 11-12 and 22-23,
DS2762 p. 5 and 12, DS2770 (family 2Eh) p. 11-15, DS2740 (family 36h) p. 6. From memory:
positions of the bits in 07h.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from types import MappingProxyType

from harness.errors import AnswerImpossible, CheckValueWrong, StillBusy, UsageError
from harness.families.batteries.sense_resistor import (
    SENSE,
    CurrentSense,
    charge_check,
    counts_look,
    counts_quantity,
    offset_check,
    remember_sense,
)
from harness.families.common.answers import shown
from harness.families.common.memory import Memory, memory_checks
from harness.families.common.register_map import (
    Access,
    Field,
    RegisterMap,
    as_hex,
    flag_words,
    no_evidence,
)
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.families.kind_facts import Trim
from harness.records import Measurement, Scalar

READ, WRITE, COPY, RECALL, LOCK = 0x69, 0x6C, 0x48, 0xB8, 0x6A
CONTROL_AT, CURRENT_AT, ACCOUNT_AT = 0x07, 0x0E, 0x10
COPYING, LOCK_ENABLED = 0x80, 0x40

COPY_S = 0.010
_READINGS = 6

word = partial(Field, count=2, signed=True, order="big")
"""A register of two bytes, high byte first."""

VOLTAGE = word(
    name="voltage", about="of the cell",
    block=0x0C, shift=5, scale=0.00488, unit="V", safe=True,
)  # fmt: skip
TEMPERATURE = word(
    name="temperature", about="of the device",
    block=0x18, shift=5, scale=0.125, unit="degC", safe=True,
)  # fmt: skip


# -- registers ---------------------------------------------------------------------


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
        hint="this device has no check value: look at edges and noise, then repeat",
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


def _write_account(session: Session, _before: bytes, after: bytes) -> None:
    """Write the account; a running current may move it by a step at once."""
    session.transact(bytes([WRITE, ACCOUNT_AT]) + after)
    got, steps = (
        int.from_bytes(data, "big", signed=True)
        for data in (read_registers(session, ACCOUNT_AT, 2), after)
    )
    if abs(got - steps) > 1:
        raise AnswerImpossible(
            f"the account reads {got} steps after writing {steps}",
            hint="the device did not take it: look at noise, then repeat",
        )


# -- EEPROM ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One block of EEPROM; block n has bit n of register 07h as its lock.

    Attributes:
        start: first address.
        size: bytes.
    """

    start: int
    size: int


BLOCKS = (Block(start=0x20, size=16), Block(start=0x30, size=16))


def _read_block(session: Session, block: Block) -> bytes:
    """The content of the EEPROM cells: recalled first, since reads show the shadow."""
    session.transact(bytes([RECALL, block.start]))
    session.clock.sleep(COPY_S)
    return read_registers(session, block.start, block.size)


def _write_block(block: Block, session: Session, at: int, data: bytes) -> None:
    held = _read_block(session, block)
    wanted = held[:at] + data + held[at + len(data) :]
    write_registers(session, block.start, wanted)
    session.transact(bytes([COPY, block.start]))
    session.clock.sleep(COPY_S)
    if read_registers(session, CONTROL_AT, 1)[0] & COPYING:
        raise StillBusy(f"the copy is not done after {COPY_S:g} s")
    got = _read_block(session, block)
    if got != wanted:
        raise AnswerImpossible(
            f"block {block.start:02X}h holds {shown(got)} after copying {shown(wanted)}",
            hint="the cells did not take it: supply during the copy, or a worn device",
        )


def _locks(blocks: tuple[Block, ...]) -> Field:
    return Field(
        name="locked_blocks", about="EEPROM blocks that are locked for ever",
        block=CONTROL_AT, bits=len(blocks), evidence=no_evidence, safe=True,
        codes=flag_words({f"block {n}": n for n in range(len(blocks))}),
    )  # fmt: skip


def _lock_state(locks: Field, session: Session, options: Options) -> Findings:
    held = locks.decode(read_registers(session, CONTROL_AT, 1))
    wanted = options.text("wanted")
    return Findings(
        measurements=(Measurement(name="locked_blocks", value=held, wanted=wanted),)
    )


def _lock(
    blocks: tuple[Block, ...], locks: Field, session: Session, options: Options
) -> Findings:
    number = options.whole("number")
    if number >= len(blocks):
        raise UsageError(f"there is no block {number}", hint=f"0 to {len(blocks) - 1}")
    before = locks.raw(read_registers(session, CONTROL_AT, 1))
    session.note("locking an EEPROM block", block=number)
    # any other command between the two clears the lock bit
    session.transact(bytes([WRITE, CONTROL_AT, LOCK_ENABLED]))
    session.transact(bytes([LOCK, blocks[number].start]))
    session.clock.sleep(COPY_S)
    now = locks.raw(read_registers(session, CONTROL_AT, 1))
    is_locked, others_stay = (
        bool(now >> number & 1),
        not (now ^ before) & ~(1 << number),
    )
    return Findings(
        measurements=(
            Measurement(name=f"block_{number}_locked", value=is_locked, wanted=True),
            Measurement(name="other_blocks_as_before", value=others_stay, wanted=True),
        )
    )


def _eeprom_checks(blocks: tuple[Block, ...], locks: Field) -> tuple[Check, ...]:
    """Memory checks of the first block, and the locks of all."""
    user = blocks[0]
    memory = Memory(
        size=user.size,
        read=lambda session, at, length: _read_block(session, user)[at : at + length],
        write=partial(_write_block, user),
        hazards=frozenset({Hazard.MEMORY_WEAR}),
    )
    wanted = Option.text("wanted", "none, or such as: block 0, block 1", default="none")
    number = Option.whole("number", "which block", required=True, low=0)
    return (
        *memory_checks(memory),
        Check(
            name="lock_state",
            about="the EEPROM's locks are as wanted; changes nothing",
            run=partial(_lock_state, locks),
            options=by_name(wanted),
        ),
        Check(
            name="block_lock",
            about="locks one EEPROM block; can never be undone",
            run=partial(_lock, blocks, locks),
            leaves=frozenset({"locked_blocks", "lock_state"}),
            options=by_name(number),
            hazards=frozenset({Hazard.LOCK}),
        ),
    )


# -- a family ----------------------------------------------------------------------

WriteBlock = Callable[[Session, bytes, bytes], object]
"""Writes a register and proves it: content before, content wanted."""


def _current_rows(sense: CurrentSense, current: Field) -> tuple[Field, ...]:
    def evidence(
        key: str, row: Field, session: Session, block: bytes
    ) -> dict[str, object]:
        return {key: row.raw(block), "sense_mohm": sense.sense_mohm(session)}

    account = word(
        name="accumulated_charge", about="what went in less what went out",
        block=ACCOUNT_AT, scale=6.25, unit="Ah", divisor=sense.divisor,
        access=Access.READ_WRITE, hazards=frozenset({Hazard.CALIBRATION}),
    )  # fmt: skip
    return (
        replace(
            current,
            divisor=sense.divisor,
            evidence=partial(evidence, "counts", current),
        ),
        replace(account, evidence=partial(evidence, "steps", account)),
    )


def gauge(
    family: Family,
    *,
    count_uv: float,
    update_s: float,
    shift: int = 0,
    inner_mohm: float | None = None,
    trim: Trim | None = None,
    rows: tuple[Field, ...] = (),
    writes: Mapping[int, WriteBlock] = MappingProxyType({}),
    blocks: tuple[Block, ...] = (),
    checks: tuple[Check, ...] = (),
) -> Family:
    """A family with the quantities, settings and checks of a gauge.

    Args:
        family: its names and words.
        count_uv: sense voltage of one count of the current register, in uV.
        update_s: a new current comes so often.
        shift: unused bits below the current.
        inner_mohm: sense resistor inside the part, or None.
        trim: its offset register, or None.
        rows: registers beside current and account.
        writes: how those of them that can be set are written, by address.
        blocks: of EEPROM, the user's first.
        checks: beside those of all gauges.
    """
    current = word(
        name="current", about="into the cell if positive; needs sense_mohm where it is outside",
        block=CURRENT_AT, shift=shift, scale=count_uv, unit="A",
    )  # fmt: skip
    sense = CurrentSense(
        read_counts=lambda session: current.raw(read_registers(session, CURRENT_AT, 2)),
        count_uv=count_uv,
        update_s=update_s,
        inner_mohm=inner_mohm,
        trim=trim,
    )
    locks = _locks(blocks)
    by_address = {ACCOUNT_AT: _write_account, **writes}
    registers = RegisterMap(
        read=lambda session, row: read_registers(session, row.block, row.count),
        write=lambda session, at, before, after: by_address[at](session, before, after),
        evidence=as_hex("registers"),
        fields=(*rows, *_current_rows(sense, current), *((locks,) if blocks else ())),
    )

    def configure(
        session: Session, settings: Mapping[str, Scalar], store: bool
    ) -> Answer:
        """Take the resistor, then write; each write is read back.

        Raises:
            UsageError: a value out of range, or ``store``: nothing has a place in EEPROM.
            AnswerImpossible: the device reads back something else.
        """
        if store:
            raise UsageError(
                "these settings have no place in EEPROM", hint="leave store out"
            )
        evidence: dict[str, object] = {}
        if SENSE.name in settings:
            remember_sense(session, settings[SENSE.name])
            evidence["sense_mohm"] = sense.sense_mohm(session)
        for at, block in registers.configure(
            session, settings, left_to_caller={SENSE.name}
        ).items():
            if at == ACCOUNT_AT:
                evidence["account_steps"] = int.from_bytes(block, "big", signed=True)
            else:
                evidence["register"] = shown(block)
        return Answer(value=", ".join(settings), evidence=evidence)

    eeprom = _eeprom_checks(blocks, locks) if blocks else ()
    return replace(
        family,
        quantities=by_name(*registers.quantities, counts_quantity(sense)),
        settings=by_name(SENSE, *registers.settings),
        configure=configure,
        checks=by_name(*checks, offset_check(sense), charge_check(registers), *eeprom),
        looks=(*registers.looks, counts_look(sense)),
    )
