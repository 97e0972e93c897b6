"""What a transact step may hold: raw bytes, and how the answer is judged."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from harness.plans.schema.base import (
    Families,
    HazardNames,
    Limited,
    Scalar,
    Strict,
    Word,
    complaint,
)
from harness.plans.schema.bodies import AtSpeed

LONGEST_BYTES = 2048
"""Of one direction of one transaction; the largest memories have pages far below it."""

_HEX = re.compile(r"(?:[0-9A-Fa-f]{2}[ :]?)*[0-9A-Fa-f]{2}")
_EXPECTED = 'bytes in hex and in quotes, such as "BE 4E"'


def quoted(expected: str) -> BeforeValidator:
    """Refuses a number, which digits without quotes are, and says what was expected."""

    def check(value: object) -> object:
        if isinstance(value, int | float):
            raise complaint(f"{value!r} without quotes is a number", expected=expected)
        return value

    return BeforeValidator(check, json_schema_input_type=str)


def _hex(text: str) -> str:
    if text and not _HEX.fullmatch(text):
        raise complaint(f"{text!r} is no row of bytes in hex", expected=_EXPECTED)
    return text


HexBytes = Annotated[
    str,
    quoted(_EXPECTED),
    AfterValidator(_hex),
    Field(max_length=3 * LONGEST_BYTES),
]
"""Bytes in the order of the wire, two hex digits each."""


def bytes_of(text: str) -> bytes:
    """The bytes behind a ``HexBytes`` text."""
    return bytes.fromhex(text.replace(":", ""))


class CheckValue(Strict):
    """A CRC in the answer, and the bytes that it covers."""

    kind: Literal["crc-8", "crc-16"] = Field(
        description="crc-8 of the ROM codes, or crc-16 of the memories (low byte first)"
    )
    over: Literal["answer", "write", "write-and-answer"] = Field(
        default="answer",
        description="answer: bytes of the answer before it; write: the bytes written; "
        "write-and-answer: both, in this order",
    )
    from_byte: int = Field(
        default=0, ge=0, description="first byte of the answer that it covers, from 0"
    )
    at_byte: int | None = Field(
        default=None,
        ge=0,
        description="where in the answer it stands, from 0; at the end if left out",
    )
    inverted: bool | None = Field(
        default=None,
        description="sent inverted; if left out, crc-16 is and crc-8 is not",
    )
    start: int = Field(
        default=0, ge=0, le=0xFFFF, description="what the CRC register begins with"
    )

    @property
    def length(self) -> int:
        """Bytes that it takes in the answer."""
        return 1 if self.kind == "crc-8" else 2

    @property
    def is_inverted(self) -> bool:
        """True if it is sent inverted."""
        return self.kind == "crc-16" if self.inverted is None else self.inverted

    def stands_at(self, read: int) -> int:
        """Its first byte in an answer of ``read`` bytes."""
        return read - self.length if self.at_byte is None else self.at_byte


class Busy(Strict):
    """Read slots until the device says that it is done."""

    ready: Literal[0, 1] = Field(
        default=1, description="the bit that means done; the other one means busy"
    )
    up_to_ms: float = Field(
        gt=0, le=600_000, description="longest time; still busy then is a failure"
    )


ReadCount = Annotated[int, Field(ge=0, le=LONGEST_BYTES, description="bytes to read")]
WaitMs = Annotated[
    float, Field(ge=0, le=600_000, description="idle time behind the write")
]
StrongPullUp = Annotated[
    bool, Field(description="feed the line by the strong pull-up for wait_ms")
]
CheckValues = Annotated[
    tuple[CheckValue, ...],
    Field(strict=False, max_length=64, description="check values of the answer"),
]
Mask = Annotated[
    HexBytes, Field(description="bits of expect that count; all if left out")
]
WAIT_UNTIL_DONE = "wait behind the write until the device is done"


class BitPlace(Strict):
    """A value in a row of bytes: where it stands and what one step of it is worth."""

    name: Word = Field(description="name of the value in results")
    at: int = Field(ge=0, le=LONGEST_BYTES, description="its first byte, from 0")
    bytes: int = Field(default=1, ge=1, le=8, description="bytes that hold it")
    shift: int = Field(default=0, ge=0, le=63, description="bits below it in them")
    bits: int | None = Field(
        default=None, ge=1, le=64, description="its width; all bits above shift if none"
    )
    signed: bool = Field(default=False, description="two's complement")
    order: Literal["little", "big"] = Field(
        default="little", description="byte order: little is low byte first"
    )
    scale: float = Field(default=1, description="value of one step, in the unit")
    offset: float = Field(default=0, description="value of raw zero, in the unit")
    unit: Annotated[str, Field(max_length=20)] = Field(
        default="", description="unit as printed"
    )

    @model_validator(mode="after")
    def _inside(self) -> Self:
        room = 8 * self.bytes - self.shift
        if room < 1 or (self.bits or 1) > room:
            last = self.shift + (self.bits or 1) - 1
            raise complaint(
                f"bits {self.shift} to {last} of a place of {8 * self.bytes} bits (bytes "
                f"is {self.bytes})",
                expected=f"bytes: {last // 8 + 1}, or less of shift and bits",
            )
        if self.scale == 0:
            raise complaint("scale 0 makes every value the same", expected="another")
        return self

    @property
    def end(self) -> int:
        """The first byte behind it."""
        return self.at + self.bytes


class BitField(BitPlace, Limited):
    """A value cut out of an answer, and its limits."""

    wanted: Scalar | None = Field(
        default=None, description="value that must be met exactly"
    )

    @model_validator(mode="after")
    def _limits_or_value(self) -> Self:
        if self.wanted is not None and (self.low is not None or self.high is not None):
            raise complaint(
                "wanted beside low or high", expected="one of the two", at="wanted"
            )
        return self


def require_doable(
    *,
    write: str,
    read: int,
    wait_ms: float,
    busy: Busy | None,
    strong_pull_up: bool,
    crc: Iterable[CheckValue],
) -> None:
    """Insist that something is sent, waited for in one way, and proved within the answer.

    Raises:
        PydanticCustomError: as ``complaint`` makes it.
    """
    if not write and not read:
        raise complaint(
            "nothing to write and nothing to read", expected="write or read"
        )
    if strong_pull_up and not wait_ms:
        raise complaint(
            "strong_pull_up for no time", expected="wait_ms", at="strong_pull_up"
        )
    if busy and wait_ms:
        raise complaint("busy and wait_ms together", expected="one of them", at="busy")
    _require_inside(crc, read)


def require_expected(*, wanted: int, mask: str, read: int, at: str = "") -> None:
    """Insist that as many bytes are expected as read, and that a mask has as many.

    Args:
        wanted: bytes of ``expect``; 0 for none.
        mask: as it is written.
        read: bytes of the answer.
        at: key path of what holds them, with the dot behind it.

    Raises:
        PydanticCustomError: as ``complaint`` makes it.
    """
    masked = len(bytes_of(mask))
    if wanted and wanted != read:
        raise complaint(
            f"expect has {wanted} bytes and read {read}",
            expected="as many bytes as are read",
            at=f"{at}expect",
        )
    if masked and masked != wanted:
        raise complaint(
            f"mask has {masked} bytes and expect {wanted}",
            expected="as many as expect",
            at=f"{at}mask",
        )


def _require_inside(crcs: Iterable[CheckValue], read: int) -> None:
    """Insist that each check value stands in the answer, behind the bytes it covers.

    Args:
        crcs: check values of an answer.
        read: bytes of the answer.

    Raises:
        PydanticCustomError: as ``complaint`` makes it.
    """
    for number, crc in enumerate(crcs):
        at = crc.stands_at(read)
        first = crc.from_byte if crc.over != "write" else 0
        if at < 0 or at + crc.length > read or first > at:
            raise complaint(
                f"{crc.kind} at byte {at} over bytes from {first} of {read} read",
                expected="its bytes within the answer, behind those it covers",
                at=f"crc.{number}",
            )


class Transact(AtSpeed):
    """One transaction in raw bytes: reset, selection, write, read."""

    select: Literal["match", "skip", "none"] = Field(
        default="match",
        description="match: one device by its ROM code; skip: all at once; none: what "
        "is written follows the reset",
    )
    family: Families | None = Field(
        default=None,
        description="family code or codes of the devices, outside a for_each",
    )
    write: HexBytes = Field(default="", description="bytes to write, in hex")
    read: ReadCount = 0
    busy: Busy | None = Field(default=None, description=WAIT_UNTIL_DONE)
    wait_ms: WaitMs = 0
    strong_pull_up: StrongPullUp = False
    crc: CheckValues = ()
    twice: bool = Field(
        default=False,
        description="do it twice and insist on the same answer, for parts without CRC",
    )
    expect: HexBytes = Field(default="", description="the answer that is wanted")
    mask: Mask = ""
    values: tuple[BitField, ...] = Field(
        default=(),
        strict=False,
        max_length=64,
        description="values cut out of the answer",
    )
    hazard: HazardNames = Field(
        default=(),
        description="raw-write, unless every kind meant is known to keep nothing of "
        "these bytes; the command line must allow it too",
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        require_doable(
            write=self.write,
            read=self.read,
            wait_ms=self.wait_ms,
            busy=self.busy,
            strong_pull_up=self.strong_pull_up,
            crc=self.crc,
        )
        self._about_selection()
        wanted = len(bytes_of(self.expect))
        require_expected(wanted=wanted, mask=self.mask, read=self.read)
        self._about_values()
        return self

    def _about_selection(self) -> None:
        if self.strong_pull_up and self.select == "none":
            raise complaint(
                "strong_pull_up without a selection",
                expected="select: match or skip",
                at="strong_pull_up",
            )
        if self.family is not None and self.select != "match":
            raise complaint(
                f"family beside select: {self.select}, which every device hears",
                expected="select: match, or no family",
                at="family",
            )

    def _about_values(self) -> None:
        names: set[str] = set()
        for number, value in enumerate(self.values):
            if value.end > self.read:
                raise complaint(
                    f"{value.name} ends with byte {value.end - 1} of {self.read} read",
                    expected=f"at most byte {self.read - 1}, or a longer read",
                    at=f"values.{number}.at",
                )
            if value.name in names:
                raise complaint(
                    f"two values with the name {value.name!r}",
                    expected="a name for each",
                    at=f"values.{number}.name",
                )
            names.add(value.name)
