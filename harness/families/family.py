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
    clock: Clock
    memory: dict[str, Any]

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
        conversion_s: longest time of a common conversion, 0 if it takes no part in one.
    """

    code: int
    name: str
    device_class: str
    typical_parts: str
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    settings: Mapping[str, Setting] = field(default_factory=dict)
    configure: Callable[[Session, Mapping[str, Scalar], bool], Answer] | None = None
    conversion_s: float = 0.0


Row = TypeVar("Row", Quantity, Setting)


def by_name(*rows: Row) -> dict[str, Row]:
    """Rows as a mapping from their names."""
    return {row.name: row for row in rows}
