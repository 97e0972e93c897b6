"""Register maps as rows: quantities, settings and safe quantities made from one table.

A ``Field`` is one value in a block of bytes, as the register table of a data sheet
lists it: name, offset, width, scale, unit, access, reset value. A ``RegisterMap`` knows
how a device answers for a block and makes of its rows what a family offers.

The driver's rows are never shared with a simulated device: a wrong row has to show as a
disagreement of the two.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import partial
from typing import Any, Literal

from harness.errors import AnswerImpossible, ReadingImplausible, UsageError
from harness.families.common.answers import shown
from harness.families.common.values import is_on_off, one_of, whole
from harness.families.family import (
    Answer,
    Hazard,
    Quantity,
    SafeQuantity,
    Session,
    Setting,
    looks,
)
from harness.records import Scalar

HEX: Mapping[int, Scalar] = {byte: f"{byte:02X}" for byte in range(0x100)}
"""Codes of a byte that is shown as it is."""

ON_OFF: Mapping[int, Scalar] = {0: "off", 1: "on"}
"""Codes of a bit that reads as a word."""

TRUTH: Mapping[int, Scalar] = {0: False, 1: True}
"""Codes of a bit that reads as true or false; written as on or off."""

Evidence = Callable[[Session, bytes], dict[str, Any]]
"""Plain facts behind a reading, from the block that it was in."""


class Access(Enum):
    """What a row becomes."""

    READ = "a quantity"
    WRITE = "a setting; no quantity of its own shows it"
    READ_WRITE = "a quantity and a setting"


def as_hex(key: str) -> Evidence:
    """The block as hex digits, by this name."""
    return lambda _, block: {key: shown(block)}


def no_evidence(_session: Session, _block: bytes) -> dict[str, Any]:
    """Nothing: the value is all there is to see."""
    return {}


def flag_words(flags: Mapping[str, int]) -> dict[int, Scalar]:
    """Codes of neighbouring flags: the names of those that are set, or none.

    Args:
        flags: names in the order in which they are listed, and their bits.
    """
    return {
        code: ", ".join(name for name, bit in flags.items() if code >> bit & 1)
        or "none"
        for code in range(1 << max(flags.values(), default=-1) + 1)
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One value inside a block of bytes.

    Attributes:
        name: of the quantity.
        about: one sentence for people.
        block: page, or address of the register, where the block begins.
        offset: first byte in the block.
        count: bytes that hold it.
        shift: bits below it in those bytes.
        bits: its width; all bits above ``shift`` if 0.
        scale: value of one step.
        bias: value of raw zero.
        unit: as printed; empty for plain numbers.
        signed: two's complement.
        order: byte order.
        codes: what each raw value stands for; empty for numbers. Where two codes have
            one meaning the first is written.
        zeros: bits of its bytes, counted from the lowest, that are never set.
        low: lowest value that can be measured, in ``unit``.
        high: highest value that can be measured, in ``unit``.
        access: quantity, setting or both.
        setting: name of the setting if it differs from ``name``.
        reset: value after power-up, where it is known and nothing in the part keeps
            another one.
        hazards: of writing it.
        governs: see ``Setting``.
        read: gives the block with a new value in it; None if the map's read does.
        reread: gives it with the value of the last conversion; None if there is no such.
        divisor: what only the bench knows, such as a resistor; ``scale`` is divided by it.
        evidence: facts behind the value; None if the map's evidence does.
        safe: True if an examination may ask for it (see ``SafeQuantity``).
    """

    name: str
    about: str = ""
    block: int = 0
    offset: int = 0
    count: int = 1
    shift: int = 0
    bits: int = 0
    scale: float = 1
    bias: float = 0
    unit: str = ""
    signed: bool = False
    order: Literal["little", "big"] = "little"
    codes: Mapping[int, Scalar] = field(default_factory=dict)
    zeros: int = 0
    low: float | None = None
    high: float | None = None
    access: Access = Access.READ
    setting: str = ""
    reset: Scalar | None = None
    hazards: frozenset[Hazard] = frozenset()
    governs: frozenset[str] = frozenset()
    read: Callable[[Session], bytes] | None = None
    reread: Callable[[Session], bytes] | None = None
    divisor: Callable[[Session], float] | None = None
    evidence: Evidence | None = None
    safe: bool = False

    @property
    def width(self) -> int:
        """Bits that the value takes."""
        return self.bits or 8 * self.count - self.shift

    @property
    def steps(self) -> tuple[int, int]:
        """Lowest and highest raw value."""
        low = -(1 << self.width - 1) if self.signed else 0
        return low, low + (1 << self.width) - 1

    @property
    def span(self) -> slice:
        """Its bytes in the block."""
        return slice(self.offset, self.offset + self.count)

    @property
    def is_counted(self) -> bool:
        """True if one step is one, so that the value is a whole number."""
        return self.scale == 1 and self.bias == 0

    def on_bench(self, session: Session) -> Field:
        """The row with the scale that it has on this bench.

        Raises:
            UsageError: the fixture does not say what the bench has there.
        """
        if self.divisor is None:
            return self
        return replace(self, scale=self.scale / self.divisor(session), divisor=None)

    # -- bytes to value ------------------------------------------------------------

    def raw(self, block: bytes) -> int:
        """The bits as a whole number, sign included."""
        word = int.from_bytes(block[self.span], self.order)
        raw = word >> self.shift & (1 << self.width) - 1
        if self.signed and raw >> self.width - 1:
            raw -= 1 << self.width
        return raw

    def number(self, block: bytes) -> float:
        """The value of a row without codes, in its unit; whole if one step is one."""
        raw = self.raw(block)
        return raw if self.is_counted else raw * self.scale + self.bias

    def decode(self, block: bytes) -> Scalar:
        """The value in its unit, or what its code stands for.

        Raises:
            AnswerImpossible: bits that are never set, or a code that stands for nothing.
            ReadingImplausible: a value that cannot be measured.
        """
        held = block[self.span]
        if int.from_bytes(held, self.order) & self.zeros:
            raise AnswerImpossible(
                f"{self.name} bytes {shown(held)} have bits that are never set"
            )
        if self.codes:
            raw = self.raw(block)
            if raw not in self.codes:
                raise AnswerImpossible(f"{self.name} is code {raw}, which is undefined")
            return self.codes[raw]
        return self._require_measurable(self.number(block))

    def _require_measurable(self, value: float) -> float:
        low = -math.inf if self.low is None else self.low
        high = math.inf if self.high is None else self.high
        if low <= value <= high and math.isfinite(value):
            return value
        bounds = [
            f"{bound:g}" if bound is not None else "any"
            for bound in (self.low, self.high)
        ]
        raise ReadingImplausible(
            f"{value:g} {self.unit} is outside {' to '.join(bounds)}"
        )

    # -- value to bytes ------------------------------------------------------------

    @property
    def key(self) -> str:
        """Name of the setting."""
        return self.setting or self.name

    @property
    def allowed(self) -> str:
        """Values that can be written, in words."""
        words = list(dict.fromkeys(self.codes.values()))
        if words:
            return _choice(words)
        if self.divisor is not None:
            return "a number"
        low, high = (step * self.scale + self.bias for step in self.steps)
        number = f"{low} to {high}" if self.is_counted else f"{low:g} to {high:g}"
        return f"{number} {self.unit}".rstrip()

    @property
    def shown_range(self) -> str:
        """Values that can be read, in words."""
        if self.codes or self.divisor is not None or self.low is self.high is None:
            return self.allowed
        ends = sorted(step * self.scale + self.bias for step in self.steps)
        low = ends[0] if self.low is None else max(ends[0], self.low)
        high = ends[1] if self.high is None else min(ends[1], self.high)
        return f"{low:g} to {high:g} {self.unit}".rstrip()

    def raw_of(self, value: Scalar) -> int:
        """The raw value that a setting asks for, to the nearest step.

        Raises:
            UsageError: no such value, or it does not fit.
        """
        if self.codes:
            meant = one_of(self.key, value, self.codes.values(), self.allowed)
            return next(raw for raw, word in self.codes.items() if word == meant)
        low, high = self.steps
        if self.is_counted:
            return whole(self.key, value, low, high)
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise UsageError(
                f"{self.key} takes a number, got {value!r}",
                hint=f"expected {self.allowed}",
            )
        steps = (value - self.bias) / self.scale
        # only a finite number can be rounded
        if not (math.isfinite(steps) and low <= round(steps) <= high):
            raise UsageError(
                f"{self.key} is {value:g} {self.unit}".rstrip(),
                hint=f"expected {self.allowed}",
            )
        return round(steps)

    def put(self, block: bytes, raw: int) -> bytes:
        """The block with a raw value in it; all other bits stay."""
        mask = ((1 << self.width) - 1) << self.shift
        word = int.from_bytes(block[self.span], self.order) & ~mask
        word |= raw << self.shift & mask
        written = word.to_bytes(self.count, self.order)
        return block[: self.span.start] + written + block[self.span.stop :]

    def encode(self, block: bytes, value: Scalar) -> bytes:
        """The block with the nearest step of a value in it; all other bits stay.

        Raises:
            UsageError: see ``raw_of``.
        """
        return self.put(block, self.raw_of(value))

    def as_setting(self) -> Setting:
        """The row as a setting: allowed values, what it is, what power-up leaves."""
        words = [self.allowed, self.about]
        if self.reset is not None:
            words.append(f"{self.reset} after power-up")
        return Setting(
            name=self.key,
            unit=self.unit,
            about="; ".join(filter(None, words)),
            hazards=self.hazards,
            governs=self.governs,
        )


def _choice(words: Sequence[Scalar]) -> str:
    """Values in words; a long run of whole numbers by its ends."""
    if is_on_off(words):
        return "on or off"
    numbers = [word for word in words if isinstance(word, int)]
    if len(numbers) > 4 and words == [*range(numbers[0], numbers[-1] + 1)]:
        return f"{words[0]} to {words[-1]}"
    return f"{', '.join(map(str, words[:-1]))} or {words[-1]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterMap:
    """Rows, and how a device answers for the blocks they are in.

    Attributes:
        fields: the rows; quantities and settings come in this order.
        read: the block of a row, proved as far as the device allows.
        write: writes a block (its number, content before, content wanted) and proves
            it; None where nothing can be written.
        evidence: facts behind a value, from its block.
    """

    fields: tuple[Field, ...]
    read: Callable[[Session, Field], bytes]
    write: Callable[[Session, int, bytes, bytes], object] | None = None
    evidence: Evidence = no_evidence

    def answer(self, row: Field, session: Session) -> Answer:
        """A row's value as the device has it.

        Raises:
            AnswerImpossible, ReadingImplausible: see ``Field.decode``; and what
                reading a block raises.
        """
        block = row.read(session) if row.read else self.read(session, row)
        return self._answer(row, session, block)

    def _answer(self, row: Field, session: Session, block: bytes) -> Answer:
        value = row.on_bench(session).decode(block)
        return Answer(
            value=value, evidence=(row.evidence or self.evidence)(session, block)
        )

    def _answer_again(
        self, row: Field, reread: Callable[[Session], bytes], session: Session
    ) -> Answer:
        """The value of the last conversion; raises as ``answer`` does."""
        return self._answer(row, session, reread(session))

    def row(self, name: str) -> Field:
        """The row of a quantity."""
        return next(row for row in self.fields if row.name == name)

    def number(self, session: Session, name: str) -> float:
        """The value of a row that is a number; raises as ``answer`` does."""
        return float(self.answer(self.row(name), session).value)

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The rows that can be read."""
        return tuple(
            Quantity(
                name=row.name,
                unit=row.unit,
                read=partial(self.answer, row),
                about=row.about or row.shown_range,
                reread=partial(self._answer_again, row, row.reread)
                if row.reread
                else None,
            )
            for row in self.fields
            if row.access is not Access.WRITE
        )

    @property
    def settings(self) -> tuple[Setting, ...]:
        """The rows that can be written."""
        return tuple(row.as_setting() for row in self._writable())

    @property
    def looks(self) -> tuple[SafeQuantity, ...]:
        """The rows that an examination may ask for."""
        return looks(*(row.name for row in self.fields if row.safe))

    def configure(
        self,
        session: Session,
        settings: Mapping[str, Scalar],
        *,
        left_to_caller: Collection[str] = (),
    ) -> dict[int, bytes]:
        """Write settings. Each value is tested before anything is sent.

        A block is read, changed and written once.

        Args:
            session: the device.
            settings: by name.
            left_to_caller: those among them that are left to the caller.

        Returns:
            What was written, by block.

        Raises:
            UsageError: no such setting or no such value; nothing is written.
            AnswerImpossible: the device reads back something else.
        """
        self._require_known(set(settings) - set(left_to_caller))
        asked = [
            (row, row.on_bench(session).raw_of(settings[row.key]))
            for row in self._writable()
            if row.key in settings
        ]
        before: dict[int, bytes] = {}
        wanted: dict[int, bytes] = {}
        for row, raw in asked:
            if row.block not in before:
                before[row.block] = wanted[row.block] = self.read(session, row)
            wanted[row.block] = row.put(wanted[row.block], raw)
        assert self.write is not None or not wanted  # else no row is writable
        for block, content in wanted.items():
            self.write(session, block, before[block], content)  # type: ignore[misc]
        return wanted

    def _require_known(self, names: Collection[str]) -> None:
        known = {row.key for row in self._writable()}
        for name in sorted(set(names) - known):
            raise UsageError(
                f"this device has no setting {name}",
                hint=f"one of {', '.join(sorted(known))}",
            )

    def _writable(self) -> Iterable[Field]:
        return (row for row in self.fields if row.access is not Access.READ)
