"""Register file of battery gauges: 69h read, 6Ch write, 48h copy, B8h recall, 6Ah lock.

    69h addr        bytes from there on       6Ch addr data   written, nothing answered
    48h addr        shadow to EEPROM, a whole block, 10 ms; bit 7 of 07h meanwhile
    B8h addr        EEPROM to shadow          6Ah addr        locks a block for ever, if
                                              bit 6 of 07h was set just before

No check value anywhere, and measured registers move: a reading counts once two in a
row agree. Writes to locked or read-only places are ignored in silence, so everything
is read back.

Sources: data sheets of families 30h (parts DS2760 p. 7 and 11, DS2761 p. 8, 11-12 and
22-23, DS2762 p. 5 and 12), 2Eh (DS2770 p. 11-15), 36h (DS2740 p. 6). Positions of the
bits in 07h: from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from harness.errors import AnswerImpossible, CheckValueWrong, StillBusy, UsageError
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
    Setting,
    by_name,
)
from harness.families.shapes.answers import shown
from harness.families.shapes.battery import (
    SENSE,
    CurrentSense,
    Trim,
    charge_check,
    counts_quantity,
    offset_check,
    remember_sense,
)
from harness.families.shapes.memory import Memory, memory_checks
from harness.families.shapes.registers import Field
from harness.families.shapes.values import number
from harness.records import Measurement, Scalar

READ, WRITE, COPY, RECALL, LOCK = 0x69, 0x6C, 0x48, 0xB8, 0x6A
CONTROL_AT, CURRENT_AT, ACCOUNT_AT = 0x07, 0x0E, 0x10
COPYING, LOCK_ENABLED = 0x80, 0x40

ACCOUNT_UVH = 6.25
"""Sense voltage times hours of one step of the account."""

COPY_S = 0.010
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
    return field.decode(bytes(field.offset) + block)


def quantity(field: Field) -> Quantity:
    """A field of the register file as a quantity."""

    def read(session: Session) -> Answer:
        block = read_registers(session, field.offset, field.count)
        return Answer(
            value=field.decode(bytes(field.offset) + block),
            evidence={"registers": block.hex(" ").upper()},
        )

    return Quantity(name=field.name, unit=field.unit, read=read, about=field.about)


# -- current and account -----------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What differs from part to part.

    Attributes:
        count_uv: sense voltage of one count of the current register.
        shift: unused bits below the current.
        update_s: a new current comes so often.
        inner_mohm: sense resistor inside the part, or None.
        trim: its offset register, or None.
    """

    count_uv: float
    shift: int
    update_s: float
    inner_mohm: float | None
    trim: Trim | None = None

    @property
    def sense(self) -> CurrentSense:
        """How it measures current."""
        field = Field(
            name="current",
            offset=CURRENT_AT,
            count=2,
            shift=self.shift,
            signed=True,
            order="big",
        )
        return CurrentSense(
            read_counts=lambda session: int(decode(session, field)),
            count_uv=self.count_uv,
            update_s=self.update_s,
            inner_mohm=self.inner_mohm,
            trim=self.trim,
        )

    def account_step_ah(self, session: Session) -> float:
        """One step of the account."""
        return ACCOUNT_UVH / 1000 / self.sense.sense_mohm(session)


_ACCOUNT = Field(name="account", offset=ACCOUNT_AT, count=2, signed=True, order="big")


def _current(gauge: Gauge, session: Session) -> Answer:
    counts = gauge.sense.read_counts(session)
    return Answer(
        value=gauge.sense.ampere(session, counts),
        evidence={"counts": counts, "sense_mohm": gauge.sense.sense_mohm(session)},
    )


def _charge(gauge: Gauge, session: Session) -> Answer:
    steps = int(decode(session, _ACCOUNT))
    return Answer(
        value=steps * gauge.account_step_ah(session),
        evidence={"steps": steps, "sense_mohm": gauge.sense.sense_mohm(session)},
    )


def gauge_quantities(gauge: Gauge) -> tuple[Quantity, ...]:
    """Current and accumulated charge; charging counts up."""
    return (
        counts_quantity(gauge.sense),
        Quantity(
            name="current",
            unit="A",
            read=partial(_current, gauge),
            about="into the cell if positive; needs sense_mohm where it is outside",
        ),
        Quantity(
            name="accumulated_charge",
            unit="Ah",
            read=partial(_charge, gauge),
            about="what went in less what went out",
        ),
    )


def gauge_checks(gauge: Gauge) -> tuple[Check, Check]:
    """Offset at no current, and the account against current times time."""
    return (
        offset_check(gauge.sense),
        charge_check(
            lambda session: float(_current(gauge, session).value),
            lambda session: float(_charge(gauge, session).value),
            gauge.account_step_ah,
        ),
    )


GAUGE_SETTINGS = (
    SENSE,
    Setting(
        name="accumulated_charge",
        unit="Ah",
        about="what the account goes on from; rounded to its steps",
        hazards=frozenset({Hazard.CALIBRATION}),
    ),
)


def gauge_configure(
    gauge: Gauge,
) -> Callable[[Session, Mapping[str, Scalar], bool], Answer]:
    """A family's ``configure`` where there is nothing but ``GAUGE_SETTINGS``."""

    def configure(
        session: Session, settings: Mapping[str, Scalar], store: bool
    ) -> Answer:
        if store:
            raise UsageError(
                "these settings have no place in EEPROM", hint="leave store out"
            )
        evidence = configure_gauge(gauge, session, settings)
        return Answer(value=", ".join(settings), evidence=evidence)

    return configure


def configure_gauge(
    gauge: Gauge, session: Session, settings: Mapping[str, Scalar]
) -> dict[str, object]:
    """Take the settings of ``GAUGE_SETTINGS``; evidence of what was written.

    Raises:
        UsageError: a value out of range.
        AnswerImpossible: the account does not read back.
    """
    evidence: dict[str, object] = {}
    if "sense_mohm" in settings:
        remember_sense(session, settings["sense_mohm"])
        evidence["sense_mohm"] = gauge.sense.sense_mohm(session)
    if "accumulated_charge" in settings:
        step_ah = gauge.account_step_ah(session)
        wanted = settings["accumulated_charge"]
        most_ah = 0x7FFF * step_ah
        wanted_ah = number("accumulated_charge", wanted, -most_ah, most_ah)
        steps = round(wanted_ah / step_ah)
        _write_account(session, steps)
        evidence["account_steps"] = steps
    return evidence


def _write_account(session: Session, steps: int) -> None:
    """Write the account; a running current may move it on at once."""
    data = steps.to_bytes(2, "big", signed=True)
    session.transact(bytes([WRITE, ACCOUNT_AT]) + data)
    got = int(decode(session, _ACCOUNT))
    if abs(got - steps) > 1:
        raise AnswerImpossible(
            f"the account reads {got} steps after writing {steps}",
            hint="the device did not take it: look at noise, then repeat",
        )


# -- EEPROM blocks -----------------------------------------------------------------


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
