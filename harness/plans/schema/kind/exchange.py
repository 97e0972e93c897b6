"""One exchange with a selected device, as bytes from the data sheet with named gaps."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from harness.plans.schema.base import Strict, complaint
from harness.plans.schema.transact import (
    LONGEST_BYTES,
    WAIT_UNTIL_DONE,
    Busy,
    CheckValues,
    Mask,
    ReadCount,
    StrongPullUp,
    WaitMs,
    quoted,
    require_doable,
    require_expected,
)

_TOKEN = re.compile(
    r"\{([a-z]+)(?: ([0-9]{1,4})(?:\.\.([0-9]{1,4}))?)?\}|([0-9A-Fa-f]{2})"
)
_EXPECTED = 'bytes in hex and gaps such as {address}, {data 5} or {data 2..4}, as in "0F {data}"'


@dataclass(frozen=True, slots=True)
class Gap:
    """A place in a template that is filled at run time.

    Attributes:
        name: what goes there.
        first: first byte of it.
        last: last byte of it; None for all.
    """

    name: str
    first: int = 0
    last: int | None = None


Piece = bytes | Gap


def pieces_of(template: str) -> Iterator[Piece]:
    """Bytes and gaps of a template, in order."""
    for found in _TOKEN.finditer(template):
        name, first, last, digits = found.groups()
        if digits:
            yield bytes.fromhex(digits)
        else:
            yield Gap(name, int(first or 0), int(last or first) if first else None)


def gaps_of(template: str) -> list[Gap]:
    """The gaps of a template."""
    return [piece for piece in pieces_of(template) if isinstance(piece, Gap)]


def length_of(template: str, sizes: Mapping[str, int]) -> int:
    """Bytes of a template whose gaps have these sizes."""
    return sum(
        len(piece)
        if isinstance(piece, bytes)
        else (sizes[piece.name] if piece.last is None else piece.last + 1) - piece.first
        for piece in pieces_of(template)
    )


def filled(template: str, values: Mapping[str, bytes]) -> bytes:
    """The bytes of a template.

    Args:
        template: with gaps.
        values: what goes into each.
    """
    return b"".join(
        piece
        if isinstance(piece, bytes)
        else values[piece.name][
            piece.first : None if piece.last is None else piece.last + 1
        ]
        for piece in pieces_of(template)
    )


def _template(text: str) -> str:
    if _TOKEN.sub("", text).strip(" :"):
        raise complaint(f"{text!r} is no row of bytes", expected=_EXPECTED)
    return text


Template = Annotated[
    str,
    quoted(_EXPECTED),
    AfterValidator(_template),
    Field(max_length=3 * LONGEST_BYTES),
]
"""Bytes in the order of the wire, and gaps."""


class BusyFirst(Busy):
    """Read slots until the device says that it is done."""

    must_begin: bool = Field(
        default=False,
        description="the first slots must be busy: else nothing began, and what is read "
        "afterwards is old",
    )


class Exchange(Strict):
    """Reset, the device selected, bytes written, the device waited for, bytes read."""

    write: Template = Field(default="", description="bytes to write, with gaps")
    read: ReadCount = 0
    busy: BusyFirst | None = Field(default=None, description=WAIT_UNTIL_DONE)
    wait_ms: WaitMs = 0
    strong_pull_up: StrongPullUp = False
    crc: CheckValues = ()
    complement: bool = Field(
        default=False,
        description="in each byte read the high half is the inverse of the low half",
    )
    twice: bool | None = Field(
        default=None,
        description="read twice and insist on the same; if left out, where nothing "
        "else proves the answer",
    )
    expect: Template = Field(default="", description="the answer that is right")
    mask: Mask = ""

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
        return self

    @property
    def is_read_twice(self) -> bool:
        """True if only a second reading proves the answer."""
        if self.twice is not None:
            return self.twice
        whole = self.expect and not self.mask
        return bool(self.read) and not self.crc and not whole

    @property
    def block_bytes(self) -> int:
        """Bytes of the answer ahead of a check value at its end."""
        at_end = [crc.length for crc in self.crc if crc.at_byte is None]
        return self.read - max(at_end, default=0)

    def require_gaps(self, sizes: Mapping[str, int], at: str) -> None:
        """Insist that every gap exists and that ``expect`` fits.

        Args:
            sizes: gaps that may stand here, and their bytes.
            at: key path of the exchange, for the place of a mistake.

        Raises:
            PydanticCustomError: as ``complaint`` makes it.
        """
        for key, template in (("write", self.write), ("expect", self.expect)):
            for gap in gaps_of(template):
                _require_gap(gap, sizes, f"{at}.{key}")
        wanted = length_of(self.expect, sizes)
        require_expected(wanted=wanted, mask=self.mask, read=self.read, at=f"{at}.")


def _require_gap(gap: Gap, sizes: Mapping[str, int], at: str) -> None:
    size = sizes.get(gap.name)
    last = gap.last if gap.last is not None else gap.first
    if size is not None and gap.first <= last < size:
        return
    allowed = ", ".join(f"{{{name}}} ({count} bytes)" for name, count in sizes.items())
    raise complaint(
        f"{{{gap.name}}} cannot stand here"
        if size is None
        else f"{{{gap.name} {gap.first}..{last}}} of {size} bytes",
        expected=allowed or "bytes in hex only",
        at=at,
    )


Exchanges = Annotated[tuple[Exchange, ...], Field(strict=False, max_length=32)]
"""Exchanges in their order, each with a reset of its own."""


def require_for_all(exchanges: tuple[Exchange, ...], at: str) -> None:
    """Insist that a conversion can be made by all devices of the kind at once.

    All answer together, and the line carries the AND of what they say.

    Args:
        exchanges: the conversion.
        at: its key path, for the place of a mistake.

    Raises:
        PydanticCustomError: as ``complaint`` makes it.
    """
    if len(exchanges) != 1:
        raise complaint(
            f"{len(exchanges)} exchanges for all at once",
            expected="one exchange in the conversion of convert_all",
            at=at,
        )
    exchange = exchanges[0]
    if exchange.read:
        raise complaint(
            "all would answer at once, and what they say is the AND of it",
            expected="no read in the conversion of convert_all",
            at=f"{at}.0.read",
        )
    if exchange.busy is not None and not exchange.busy.ready:
        raise complaint(
            "the first device that is done would hide those that are not",
            expected="ready: 1, or wait_ms instead of busy",
            at=f"{at}.0.busy.ready",
        )
    if not (exchange.write and (exchange.busy or exchange.wait_ms)):
        raise complaint(
            "a conversion of all without command or time",
            expected="write, and busy or wait_ms",
            at=f"{at}.0",
        )
