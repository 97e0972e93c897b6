"""The shape of a family: rows of quantities, settings and checks.

A family module needs this module, ``command`` and ``restart`` for its rows about the
wire, and ``common``; nothing else of this package.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from harness.families.check import Check, Findings, Option, OptionKind, Options
from harness.families.command import Command
from harness.families.hazard import Hazard
from harness.families.restart import RestartSign
from harness.families.secret import Secret
from harness.families.session import Broadcast, Session
from harness.records import Scalar


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
        uncertainty: half width in the quantity's unit, where the way of asking has one
            that the device's data sheet does not know of.
        notes: what a reader of the result must know besides.

    Example:
        >>> import harness
        >>> harness.Answer(value=21.5, evidence={"raw": "58 01"}).value
        21.5
    """

    value: Scalar
    evidence: dict[str, Any] = field(default_factory=dict)
    uncertainty: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Something a device can be asked for.

    Attributes:
        name: as plans write it.
        unit: as printed; empty for texts.
        read: asks the device; raises DeviceError and LineError.
        about: one sentence for people.
        reread: reads without a new measurement (after a common start), or None.

    Example:
        >>> import harness
        >>> def read(session):
        ...     block = session.transact(bytes([0xBE]), 3)
        ...     if harness.crc8(block):
        ...         raise harness.DeviceError("the CRC of the block is wrong")
        ...     return harness.Answer(value=int.from_bytes(block[:2], "little"))
        >>> harness.Quantity(name="counts", unit="", read=read, about="as sent").name
        'counts'
    """

    name: str
    unit: str
    read: Callable[[Session], Answer]
    about: str
    reread: Callable[[Session], Answer] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeQuantity:
    """A quantity that an examination may ask for, because asking changes nothing.

    Whatever stores, counts, clears, switches, starts or measures with a limited cell
    is no look; a new measurement of a part that has nothing to lose by it is.

    Attributes:
        quantity: its name.
        times: how many readings are worth having; a mean needs some.
        pause_s: until the device has a new value.
        watched: True if only the host may change it, so that it must read the
            same from the beginning of an examination to its end.
    """

    quantity: str
    times: int = 1
    pause_s: float = 0.0
    watched: bool = False


def looks(*names: str) -> tuple[SafeQuantity, ...]:
    """Plain looks at quantities."""
    return tuple(SafeQuantity(quantity=name) for name in names)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A setting of a device, and its allowed values in words.

    Attributes:
        name: as plans write it.
        unit: as printed; empty if it has none.
        about: one sentence for people.
        hazards: each must be named in the plan and allowed on the command line.
        governs: what depends on it: names of quantities and checks of the family, and
            ``ALARM_SEARCH``. After it was written a conversion from before counts no
            more for the quantities among them.
    """

    name: str
    unit: str
    about: str
    hazards: frozenset[Hazard] = frozenset()
    governs: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvertCommand:
    """The command of a common conversion that not every kind on a bus takes for one.

    Attributes:
        code: what every device hears behind the skip command.
        alone: the same conversion of one device, selected by its ROM code; raises
            DeviceError and LineError.
    """

    code: bytes
    alone: Callable[[Session], object]


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
        convert_command: its command where it is sent to all only if every kind on the
            bus makes the same conversion of it, or keeps nothing of it; None for the
            command of thermometers.
        register: a register that slot-timing tests may write and read back, or None.
        checks: by name.
        looks: quantities that an examination may ask for, in this order; the supply
            is among them where the kind can be asked for it.
        counts_conversions: True if a convert command that all devices hear makes it
            measure too, from a sealed cell, and count that for a lifetime.
        commands: what goes over the wire behind a selection, command by command.
        restarts: what shows that the device restarted or forgot.
        changed_by_match: the quantity that every match by the ROM code changes; empty
            for all kinds but one.
        destructive: what cannot be undone or can hurt, in a few words; empty if nothing.
        facts: what else the table of kinds should say (check values, speeds, gaps).
        recognised_only: True if there is no driver: ROM code proved, nothing more.

    Example:
        >>> import harness
        >>> row = harness.Family(
        ...     code=0x7A, name="invented", device_class="converter", typical_parts="none"
        ... )
        >>> f"{row.code:02X}h", dict(row.quantities)
        ('7Ah', {})
    """

    code: int
    name: str
    device_class: str
    typical_parts: str
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    settings: Mapping[str, Setting] = field(default_factory=dict)
    configure: Callable[[Session, Mapping[str, Scalar], bool], Answer] | None = None
    convert_all: Callable[[Broadcast, bool], Answer] | None = None
    convert_command: ConvertCommand | None = None
    register: Register | None = None
    checks: Mapping[str, Check] = field(default_factory=dict)
    looks: tuple[SafeQuantity, ...] = ()
    counts_conversions: bool = False
    commands: tuple[Command, ...] = ()
    restarts: tuple[RestartSign, ...] = ()
    changed_by_match: str = ""
    destructive: str = ""
    facts: str = ""
    recognised_only: bool = False


DEVICE_CLASSES = (
    "serial number",
    "memory",
    "authenticator",
    "thermometer",
    "I/O port",
    "logger",
    "bridge",
    "battery",
    "counter",
    "clock",
    "converter",
)
"""Every ``device_class`` there is: the eight main ones, then the smaller ones."""


ALARM_SEARCH = "alarm search"
"""In ``governs`` and ``leaves``: whether a conditional search finds the device."""


Row = TypeVar("Row", Quantity, Setting, Check, Option)


def by_name(*rows: Row) -> dict[str, Row]:
    """Rows as a mapping from their names.

    Example:
        >>> import harness
        >>> kind = harness.OptionKind.WHOLE
        >>> list(harness.by_name(harness.Option(name="times", kind=kind, about="how often")))
        ['times']
    """
    return {row.name: row for row in rows}


__all__ = [
    "ALARM_SEARCH",
    "DEVICE_CLASSES",
    "Answer",
    "Broadcast",
    "Check",
    "Command",
    "ConvertCommand",
    "Family",
    "Findings",
    "Hazard",
    "Option",
    "OptionKind",
    "Options",
    "Quantity",
    "Register",
    "RestartSign",
    "SafeQuantity",
    "Secret",
    "Session",
    "Setting",
    "by_name",
    "looks",
]
