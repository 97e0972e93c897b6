"""Commands of a described kind as rows: what goes over the wire behind a selection."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from harness.plans.schema.base import Strict, Text, Word, complaint
from harness.plans.schema.transact import HexBytes

Count = Annotated[int, Field(ge=0, le=1 << 16)]
PartName = Annotated[str, Field(min_length=1, max_length=40)]


class WirePart(Strict):
    """One part of a command: who sends what, how long, or what is waited for."""

    host: PartName | None = Field(
        default=None, description="bytes of the host, by name"
    )
    device: PartName | None = Field(
        default=None, description="bytes of the device, by name"
    )
    crc: Literal["crc-8", "crc-16"] | None = Field(
        default=None, description="check value of the device; crc-16 is sent inverted"
    )
    status: PartName | None = Field(
        default=None, description="slots in which the device says whether it is at work"
    )
    rest_ms: Annotated[float, Field(gt=0, le=600_000)] | None = Field(
        default=None, description="idle line while the device works, longest time"
    )
    again: Annotated[tuple[WirePart, ...], Field(strict=False, max_length=32)] = Field(
        default=(), description="parts that repeat until the reset"
    )
    bytes: Count | Literal["open"] = Field(
        default=1, description="how many, or open for any number until the reset"
    )
    to_page_end: Annotated[int, Field(ge=1, le=1 << 16)] | None = Field(
        default=None, description="instead of bytes: to the end of a page of this size"
    )
    to_address: Count | None = Field(
        default=None, description="instead of bytes: to this address, included"
    )
    counted_by: PartName | None = Field(
        default=None, description="instead of bytes: as many as that byte says"
    )
    moves: bool = Field(
        default=False, description="each byte belongs to the next address"
    )
    values: Annotated[
        tuple[Annotated[int, Field(ge=0, le=255)], ...], Field(strict=False)
    ] = Field(default=(), description="what each byte may be; anything if none")
    covers: Annotated[tuple[PartName, ...], Field(strict=False, max_length=32)] = Field(
        default=(), description="what a check value covers; code is the command itself"
    )
    ready: Literal[0, 1] = Field(
        default=1, description="level of a slot that says done"
    )
    longest_ms: Annotated[float, Field(gt=0, le=600_000)] | None = Field(
        default=None, description="longest time of a status"
    )
    strong_pull_up: bool = Field(
        default=True, description="a device without supply needs one during rest_ms"
    )
    about: Word = Field(default="", min_length=0, description="how to read them")

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        given = [name for name in _KINDS if getattr(self, name) not in (None, ())]
        if len(given) != 1:
            raise complaint(
                f"a part is one thing, got {', '.join(given) or 'none'}",
                expected=f"one of {', '.join(_KINDS)}",
            )
        if self.crc and not self.covers:
            raise complaint("a check value of nothing", expected="covers", at="crc")
        if self.again and not any(map(_takes_slots, self.again)):
            raise complaint(
                "parts that repeat and take no slots",
                expected="bytes among them",
                at="again",
            )
        return self

    @property
    def span_bytes(self) -> int | None:
        """Bytes of host or device, where their number is fixed by the row itself."""
        is_counted = self.to_page_end or self.counted_by or self.to_address is not None
        return self.bytes if isinstance(self.bytes, int) and not is_counted else None


_KINDS = ("host", "device", "crc", "status", "rest_ms", "again")
"""Keys of which a part has exactly one."""


def _takes_slots(part: WirePart) -> bool:
    is_span = part.host is not None or part.device is not None
    return bool(part.crc) or (is_span and bool(part.span_bytes))


class WireCommand(Strict):
    """One command of the data sheet."""

    name: Word = Field(description="in the trade's words")
    code: HexBytes = Field(description="bytes that make the device take it")
    parts: Annotated[tuple[WirePart, ...], Field(strict=False, max_length=64)] = Field(
        default=(), description="what follows the code, in order"
    )
    effect: Literal["nothing", "volatile", "stored", "for-ever"] = Field(
        description="what it leaves behind in the device"
    )
    goes_on: bool = Field(
        default=False, description="another command may follow without a reset"
    )
    about: Word = Field(default="", min_length=0, description="what else must be known")
    source: Text = Field(description="data sheet and page, or from memory")

    @model_validator(mode="after")
    def _names_before_use(self) -> Self:
        if not self.code:
            raise complaint("a command without a code", expected="its byte", at="code")
        _follow(self.parts, {"code": 1}, "parts")
        return self


def _follow(parts: tuple[WirePart, ...], known: dict[str, int | None], at: str) -> None:
    """Insist that whatever a part refers to went before it.

    Raises:
        PydanticCustomError: as ``complaint`` makes it.
    """
    for number, part in enumerate(parts):
        here = f"{at}.{number}"
        _require_known(part, known, here)
        if span := part.host or part.device:
            known[span] = part.span_bytes
        _follow(part.again, known, f"{here}.again")


def _require_known(part: WirePart, known: Mapping[str, int | None], here: str) -> None:
    if unknown := [name for name in part.covers if name not in known]:
        raise complaint(
            f"covers {unknown[0]!r}, which did not go before",
            expected=", ".join(known),
            at=f"{here}.covers",
        )
    if part.counted_by and known.get(part.counted_by) != 1:
        raise complaint(
            f"counted by {part.counted_by!r}, which is no byte that went before",
            expected="a part of one byte",
            at=f"{here}.counted_by",
        )
    if (part.to_page_end or part.to_address is not None) and "address" not in known:
        raise complaint(
            "counted from an address that did not go before",
            expected="a part with the name address",
            at=here,
        )
