"""Commands of a family as rows: what goes over the wire behind a selection.

A row says which bytes the host sends and which the device answers, how many of each,
and which of them a CRC covers. It is complete enough to cut the slots of a recording
into commands without any code of the family (``families.transactions`` does that), so
whatever depends on bytes seen earlier is said by the bytes it depends on:

- A length is a number, ``ToPageEnd`` or ``ToAddress`` (counted from the address that
  went before), ``Counted`` (by a byte that went before) or ``OPEN`` (until the reset).
- A host may stop anywhere by a reset. What follows then does not happen, so a CRC that
  a device sends only once a page is full stands behind bytes ``ToPageEnd``, and no
  condition has to be written.
- ``Again`` repeats its parts until the reset: page after page, byte after byte.
- ``Chosen`` looks at a byte that went before and goes on accordingly.
- A device with ``goes_on`` takes its next command when the last part is over, without
  a reset in between. One without does not listen any more, and ones are read.

Bytes are in the order of the wire, least significant bit first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum


class Sender(StrEnum):
    """Who sends a part: the other side only reads it."""

    HOST = "host"
    DEVICE = "device"


class Effect(StrEnum):
    """What a command leaves behind in the device."""

    NOTHING = "changes nothing"
    VOLATILE = "changes what a restart resets"
    STORED = "changes what a restart keeps"
    FOR_EVER = "cannot be undone"


class Place(StrEnum):
    """Where a command stands in a transaction."""

    FUNCTION = "behind a selection"
    ROM = "in place of a selection"


# -- lengths -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ToPageEnd:
    """As many bytes as are left of the page in which the address lies.

    Attributes:
        size: bytes of a page; a power of two.
    """

    size: int


@dataclass(frozen=True, slots=True)
class ToAddress:
    """As many bytes as there are from the address to the last one, which is included."""

    last: int


@dataclass(frozen=True, slots=True)
class Counted:
    """As many bytes as another part says.

    Attributes:
        by: name of that part, one byte long.
    """

    by: str


@dataclass(frozen=True, slots=True)
class UntilReset:
    """Any number of bytes, as many as the host likes."""


OPEN = UntilReset()

Length = int | ToPageEnd | ToAddress | Counted | UntilReset


# -- parts ---------------------------------------------------------------------------

ADDRESS = "address"
"""Name of the part that holds an address, low byte first: lengths count from it."""

CODE = "code"
"""The command's own code, among what a CRC covers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Bytes that one side sends.

    Attributes:
        name: what they are; CRCs and lengths name them by it.
        sender: who drives them.
        length: how many there are.
        moves: True if each byte belongs to the next address, so that a length that
            follows counts from there.
        values: what each byte may be; empty if anything.
        confirms: which of them say that a store was done; empty if they say nothing.
        confidential: True if they must stand in no report.
        filler: what each of them is where a device has nothing confidential to show.
        about: how to read them; empty if they are data without a format.
        words: turns whole bytes into words and raises DeviceError where they are not
            possible; None if ``about`` says it all.
    """

    name: str
    sender: Sender
    length: Length = 1
    moves: bool = False
    values: frozenset[int] = frozenset()
    confirms: frozenset[int] = frozenset()
    confidential: bool = False
    filler: int | None = None
    about: str = ""
    words: Callable[[bytes], str] | None = None


class CrcKind(StrEnum):
    """The two check values, with everything that decides their bytes.

    Source: application note 27 (CRC-8 and CRC-16 of these devices).
    """

    CRC8 = "CRC-8"
    CRC16_INVERTED = "inverted CRC-16, low byte first"


class CrcStart(StrEnum):
    """What a device's CRC register holds before the covered bytes are shifted in."""

    ZERO = "0"
    ADDRESS = "the current address"
    ADDRESS_LOW = "the low byte of the current address"


@dataclass(frozen=True, slots=True, kw_only=True)
class Crc:
    """A check value over parts that went before.

    Attributes:
        kind: CRC-8, sent true, or CRC-16, sent inverted and low byte first.
        covers: names of parts, in their order; the latest of each name counts.
        sender: who computes and sends it.
        start: content of the register at the beginning.
    """

    kind: CrcKind
    covers: tuple[str, ...]
    sender: Sender = Sender.DEVICE
    start: CrcStart = CrcStart.ZERO

    @property
    def length(self) -> int:
        """Bytes on the wire."""
        return 1 if self.kind is CrcKind.CRC8 else 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """Single read slots in which a device says whether it is still at work.

    Attributes:
        name: what it works on.
        ready: level of the slot that says that it is done; the other one means busy.
            With 1 the ones go on until the reset, as everything behind them does;
            with 0 the next part begins in the slot that follows.
        counted: slots in all, where there is no waiting (an answer of one bit).
        longest_ms: longest published time, None where there is none.
    """

    name: str
    ready: int = 1
    counted: int = 0
    longest_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """The line idles high while the device works; a parasite-fed one lives on it.

    Attributes:
        longest_ms: longest published time.
        strong: True if a parasite-fed device needs a strong pull-up meanwhile.
    """

    longest_ms: float
    strong: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Programming:
    """A pulse of the programming voltage, in us; it destroys parts that are not made for it."""

    low_us: float = 480.0
    high_us: float = 5000.0


@dataclass(frozen=True, slots=True)
class Again:
    """Parts that repeat until the reset; at least one of them takes slots."""

    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """Parts that depend on a byte which went before.

    Attributes:
        by: name of the part, one byte long.
        mask: its bits that decide.
        cases: masked value -> parts; a value that is not listed ends the command.
    """

    by: str
    mask: int
    cases: Mapping[int, tuple[Part, ...]]


Part = Span | Crc | Status | Rest | Programming | Again | Chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command of a family.

    Attributes:
        name: in the trade's words.
        code: the bytes that make a device take it; empty if the slots behind a
            selection mean something without one.
        parts: what follows the code, in order.
        effect: what it leaves behind.
        place: behind a selection, or in place of one.
        goes_on: True if the device takes another command behind the last part.
        about: what else must be known; empty if nothing.
        source: what it was taken from; "from memory" where that is true.
    """

    name: str
    code: bytes
    parts: tuple[Part, ...] = ()
    effect: Effect = Effect.NOTHING
    place: Place = Place.FUNCTION
    goes_on: bool = False
    about: str = ""
    source: str


# -- short forms ---------------------------------------------------------------------


def host(name: str, length: Length = 1, **more: object) -> Span:
    """Bytes of the host."""
    return Span(name=name, sender=Sender.HOST, length=length, **more)  # type: ignore[arg-type]


def device(name: str, length: Length = 1, **more: object) -> Span:
    """Bytes of the device."""
    return Span(name=name, sender=Sender.DEVICE, length=length, **more)  # type: ignore[arg-type]


def crc8(*covers: str, start: CrcStart = CrcStart.ZERO) -> Crc:
    """A CRC-8 of the device."""
    return Crc(kind=CrcKind.CRC8, covers=covers, start=start)


def crc16(
    *covers: str, start: CrcStart = CrcStart.ZERO, sender: Sender = Sender.DEVICE
) -> Crc:
    """An inverted CRC-16."""
    return Crc(kind=CrcKind.CRC16_INVERTED, covers=covers, start=start, sender=sender)


def two_byte_address(sender: Sender = Sender.HOST) -> Span:
    """An address of two bytes, low byte first."""
    return Span(name=ADDRESS, sender=sender, length=2)


def one_byte_address(name: str = ADDRESS) -> Span:
    """An address of one byte, from the host."""
    return Span(name=name, sender=Sender.HOST, length=1)
