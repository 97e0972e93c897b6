"""The shape of a family: rows of quantities and settings, and the session it talks through."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from harness.clock import Clock
from harness.records import Scalar
from harness.wire.romcode import RomCode


class Session(Protocol):
    """One device on the bus, as a family module sees it.

    ``memory`` keeps what was learned about this device during the run (its supply,
    its settings), so that it is not asked for again and again.
    """

    rom: RomCode
    memory: dict[str, Any]

    @property
    def clock(self) -> Clock:
        """The port's time."""
        ...

    def transact(self, write: bytes, read: int = 0) -> bytes:
        """Reset, select this device, write, then read ``read`` bytes; one burst."""
        ...

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """As ``transact``, but returns single read slots."""
        ...

    def read_bits(self, slots: int) -> list[int]:
        """More read slots of the transaction in hand, without a reset."""
        ...

    def verify(self) -> None:
        """Prove all 64 bits of the ROM code by a directed search.

        Raises:
            DeviceAbsent: the device does not take part.
        """
        ...

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Reset, select, write, then hold the line high with all the supply there is."""
        ...


class Broadcast(Protocol):
    """All devices on the bus at once, selected by skip."""

    @property
    def clock(self) -> Clock:
        """The port's time."""
        ...

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """Reset, select all, write, then read single slots (wired AND)."""
        ...

    def read_bits(self, slots: int) -> list[int]:
        """More read slots of the transaction in hand, without a reset."""
        ...

    def hold_strong_pull_up(self, write: bytes, hold_s: float) -> None:
        """Reset, select all, write, then hold the line high."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """Volatile bytes that a test may write, read back and restore.

    Attributes:
        write: function command that takes ``size`` bytes.
        read: function command that is answered by ``block`` bytes.
        offset: where the written bytes stand in the block.
        size: bytes to write.
        mask: bits of each written byte that read back as written.
        prove: raises DeviceError unless a block is whole.
    """

    write: bytes
    read: bytes
    block: int
    offset: int
    size: int
    mask: bytes
    prove: Callable[[bytes], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a quantity's reader returns.

    Attributes:
        value: the reading.
        evidence: plain facts behind it (raw bytes as hex, busy time in ms).
    """

    value: Scalar
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Something a device can be asked for.

    Attributes:
        name: as plans write it.
        unit: as printed; empty for texts.
        read: asks the device; raises DeviceError and LineError.
        about: one sentence for people.
        reread: reads without a new measurement (after a common start), or None.
    """

    name: str
    unit: str
    read: Callable[[Session], Answer]
    about: str
    reread: Callable[[Session], Answer] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Something a device can be told, and its allowed values in words."""

    name: str
    unit: str
    about: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One family code.

    Attributes:
        code: family code.
        name: what it is, in the trade's words.
        device_class: one of the eight classes of the README's table.
        typical_parts: part numbers for people who search by them.
        quantities: by name.
        settings: by name.
        configure: writes settings (name -> value; store in EEPROM or not) and reads them back.
        convert_all: one conversion of every device of the kind at once, waited for;
            None if the kind takes no part in one.
        register: a register that slot-timing tests may write and read back, or None.
    """

    code: int
    name: str
    device_class: str
    typical_parts: str
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    settings: Mapping[str, Setting] = field(default_factory=dict)
    configure: Callable[[Session, Mapping[str, Scalar], bool], Answer] | None = None
    convert_all: Callable[[Broadcast, bool], Answer] | None = None
    register: Register | None = None


Row = TypeVar("Row", Quantity, Setting)


def by_name(*rows: Row) -> dict[str, Row]:
    """Rows as a mapping from their names."""
    return {row.name: row for row in rows}
