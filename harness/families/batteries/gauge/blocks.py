"""EEPROM of battery gauges, in blocks: written by a copy, locked for ever.

    48h addr        shadow to EEPROM, a whole block, 10 ms; bit 7 of 07h meanwhile
    B8h addr        EEPROM to shadow          6Ah addr        locks a block for ever, if
                                              bit 6 of 07h was set just before

Sources: data sheets of families 30h (parts DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and
22-23, DS2762 p. 5 and 12), 2Eh (DS2770 p. 11-15). Positions of the bits in 07h: from
memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.errors import AnswerImpossible, StillBusy, UsageError
from harness.families.batteries.gauge.registers import (
    WRITE,
    read_registers,
    write_registers,
)
from harness.families.common.answers import shown
from harness.families.common.memory import Memory, memory_checks
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
    by_name,
)
from harness.records import Measurement

COPY, RECALL, LOCK = 0x48, 0xB8, 0x6A
CONTROL_AT = 0x07
COPYING, LOCK_ENABLED = 0x80, 0x40

COPY_S = 0.010


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One block of EEPROM.

    Attributes:
        start: first address.
        size: bytes.
        lock_bit: its bit in register 07h.
    """

    start: int
    size: int
    lock_bit: int


def block_checks(
    blocks: tuple[Block, ...], user: Block
) -> tuple[tuple[Quantity, ...], tuple[Check, ...]]:
    """Quantities and checks of the EEPROM: user block, locks."""
    memory = Memory(
        size=user.size,
        read=lambda session, at, length: read_block(session, user)[at : at + length],
        write=lambda session, at, data: _write_block(session, user, at, data),
        hazards=frozenset({Hazard.MEMORY_WEAR}),
    )
    locked = Quantity(
        name="locked_blocks",
        unit="",
        read=lambda session: Answer(value=_locked_words(session, blocks)),
        about="EEPROM blocks that are locked for ever",
    )
    return (locked,), (*memory_checks(memory), _state_check(blocks), _lock(blocks))


def read_block(session: Session, block: Block) -> bytes:
    """What the cells hold: recalled first, since reads show the shadow."""
    session.transact(bytes([RECALL, block.start]))
    session.clock.sleep(COPY_S)
    return read_registers(session, block.start, block.size)


def _write_block(session: Session, block: Block, at: int, data: bytes) -> None:
    held = read_block(session, block)
    wanted = held[:at] + data + held[at + len(data) :]
    write_registers(session, block.start, wanted)
    session.transact(bytes([COPY, block.start]))
    session.clock.sleep(COPY_S)
    if read_registers(session, CONTROL_AT, 1)[0] & COPYING:
        raise StillBusy(f"the copy is not done after {COPY_S:g} s")
    got = read_block(session, block)
    if got != wanted:
        raise AnswerImpossible(
            f"block {block.start:02X}h holds {shown(got)} after copying {shown(wanted)}",
            hint="the cells did not take it: supply during the copy, or a worn part",
        )


# -- locks -------------------------------------------------------------------------


def _locked(session: Session, blocks: tuple[Block, ...]) -> list[int]:
    control = read_registers(session, CONTROL_AT, 1)[0]
    return [n for n, block in enumerate(blocks) if control & block.lock_bit]


def _locked_words(session: Session, blocks: tuple[Block, ...]) -> str:
    return ", ".join(f"block {n}" for n in _locked(session, blocks)) or "none"


def _state_check(blocks: tuple[Block, ...]) -> Check:
    def run(session: Session, options: Options) -> Findings:
        return Findings(
            measurements=(
                Measurement(
                    name="locked_blocks",
                    value=_locked_words(session, blocks),
                    wanted=options.text("wanted"),
                ),
            )
        )

    return Check(
        name="lock_state",
        about="the EEPROM's locks are as wanted; changes nothing",
        run=run,
        options=by_name(
            Option(
                name="wanted",
                kind=OptionKind.TEXT,
                about="none, or such as: block 0, block 1",
                default="none",
            )
        ),
    )


def _lock(blocks: tuple[Block, ...]) -> Check:
    def run(session: Session, options: Options) -> Findings:
        number = options.whole("number")
        if number >= len(blocks):
            raise UsageError(
                f"there is no block {number}", hint=f"0 to {len(blocks) - 1}"
            )
        others = set(_locked(session, blocks)) - {number}
        session.note("locking an EEPROM block", block=number)
        # the lock bit falls with any other command between the two
        session.transact(bytes([WRITE, CONTROL_AT, LOCK_ENABLED]))
        session.transact(bytes([LOCK, blocks[number].start]))
        session.clock.sleep(COPY_S)
        now = set(_locked(session, blocks))
        return Findings(
            measurements=(
                Measurement(
                    name=f"block_{number}_locked", value=number in now, wanted=True
                ),
                Measurement(
                    name="other_blocks_as_before",
                    value=now - {number} == others,
                    wanted=True,
                ),
            )
        )

    return Check(
        name="block_lock",
        about="locks one EEPROM block; can never be undone",
        run=run,
        leaves=frozenset({"locked_blocks", "lock_state"}),
        options=by_name(
            Option(
                name="number",
                kind=OptionKind.WHOLE,
                about="which block",
                required=True,
                low=0,
            )
        ),
        hazards=frozenset({Hazard.LOCK}),
    )
