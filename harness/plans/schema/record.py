"""What a plan says about the bytes that each unit carries: a record of typed fields."""

from __future__ import annotations

import datetime
import math
import re
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from harness.plans.schema.base import Scalar, Strict, complaint, formed
from harness.plans.schema.transact import HexBytes, bytes_of

ROM_CODE = "$unit.rom_code"
"""Stands in a record for the ROM code of the device that it is written to."""

FieldName = Annotated[
    str, *formed(r"^[a-z][a-z0-9_]{0,31}$", "small letters, digits and _")
]
_ROM_CODE_DIGITS = 16


class RecordField(Strict):
    """One field of a record: exactly one of text, integer, date, scaled, bytes, fill, crc."""

    name: FieldName = Field(description="name of the field in results")
    length: int | None = Field(
        default=None, ge=1, le=1024, description="bytes that it takes"
    )
    text: str | int | float | None = Field(
        default=None, description="a text in UTF-8, padded at its end"
    )
    integer: int | None = Field(default=None, description="a whole number")
    date: str | None = Field(
        default=None,
        description="a date such as 2026-11-28 or $today in BCD: three bytes YY MM DD, "
        "or four YYYY MM DD",
    )
    scaled: float | None = Field(
        default=None, description="a value, stored as steps of scale above offset"
    )
    bytes: HexBytes | None = Field(default=None, description="bytes in hex")
    fill: int | None = Field(
        default=None, ge=0, le=255, description="one byte, over and over"
    )
    crc: Literal["crc-8", "crc-16", "crc-32"] | None = Field(
        default=None, description="check value over fields that stand before it"
    )
    over: (
        Annotated[
            tuple[FieldName, ...], Field(strict=False, min_length=1, max_length=64)
        ]
        | None
    ) = Field(
        default=None,
        description="fields that a check value covers; all before it if none",
    )
    inverted: bool = Field(default=False, description="the check value is inverted")
    pad: int = Field(default=0, ge=0, le=255, description="byte that fills a text up")
    signed: bool = Field(default=False, description="two's complement")
    order: Literal["little", "big"] = Field(
        default="little", description="byte order: little is low byte first"
    )
    scale: float = Field(default=1, description="value of one step")
    offset: float = Field(default=0, description="value of raw zero")
    unit: Annotated[str, Field(max_length=20)] = Field(
        default="", description="unit of a scaled value as printed"
    )

    @property
    def sort(self) -> str:
        """Its type."""
        return next(sort for sort in SORTS if getattr(self, sort) is not None)

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        if self.crc is not None:
            return {"crc-8": 1, "crc-16": 2, "crc-32": 4}[self.crc]
        if self.bytes is not None:
            return len(bytes_of(self.bytes))
        return self.length or 0

    @property
    def is_rom_code(self) -> bool:
        """True if the ROM code of the device goes here."""
        return self.text == ROM_CODE

    @model_validator(mode="after")
    def _one_sort(self) -> Self:
        given = [sort for sort in SORTS if getattr(self, sort) is not None]
        if len(given) != 1:
            raise complaint(
                f"field {self.name} is one thing, got {', '.join(given) or 'none'}",
                expected=f"one of {', '.join(SORTS)}",
            )
        self._require_length()
        if self.bytes is not None and not self.size:
            raise complaint("no bytes", expected='such as "A5 01"', at="bytes")
        if self.scale == 0:
            raise complaint("scale 0", expected="another", at="scale")
        self._fits()
        return self

    def _require_length(self) -> None:
        fixed = self.sort in {"crc", "bytes"}
        if fixed == (self.length is not None):
            raise complaint(
                f"field {self.name}: length {'beside' if fixed else 'is left out of'} "
                f"{self.sort}",
                expected="length for all sorts but bytes and crc",
            )

    def _fits(self) -> None:
        sort = self.sort
        if sort == "text":
            self._text_fits()
        elif sort in {"integer", "scaled"}:
            self._number_fits(sort)
        elif sort == "date":
            self._date_fits()

    def _text_fits(self) -> None:
        if self.is_rom_code:
            needed = _ROM_CODE_DIGITS
        else:
            content = str(self.text).encode("utf-8", "surrogatepass")
            needed = len(content)
            if content[-1:] == bytes([self.pad]):
                raise complaint(
                    f"{self.text!r} ends with the byte that fills it up",
                    expected="another pad",
                    at="text",
                )
        if needed > self.size:
            raise complaint(
                f"{self.text!r} takes {needed} bytes of {self.size}",
                expected="a longer field or a shorter text",
                at="text",
            )

    @property
    def raw(self) -> int:
        """The whole number that stands for an integer or a scaled value."""
        if self.integer is not None:
            return self.integer
        steps = ((self.scaled or 0.0) - self.offset) / self.scale
        return round(steps) if math.isfinite(steps) else 1 << 64

    def _number_fits(self, at: str) -> None:
        if self.size > 8:
            raise complaint(
                f"a number of {self.size} bytes", expected="8 at most", at="length"
            )
        low = -(1 << 8 * self.size - 1) if self.signed else 0
        high = low + (1 << 8 * self.size) - 1
        if not low <= self.raw <= high:
            raise complaint(
                f"{getattr(self, at)!r} does not fit into {self.size} bytes",
                expected=f"raw values from {low} to {high}",
                at=at,
            )

    def _date_fits(self) -> None:
        if self.size not in {3, 4}:
            raise complaint(
                f"a date of {self.size} bytes", expected="3 or 4", at="length"
            )
        try:
            day = datetime.date.fromisoformat(self.date or "")
        except ValueError:
            day = None
        fits = day is not None and re.fullmatch(r"\d{4}-\d\d-\d\d", self.date or "")
        century = self.size == 4 or (day is not None and 2000 <= day.year < 2100)
        if not (fits and century):
            raise complaint(
                f"{self.date!r} is no date",
                expected="such as 2026-11-28; in three bytes of the years 2000 to 2099",
                at="date",
            )


SORTS = ("text", "integer", "date", "scaled", "bytes", "fill", "crc")
"""What a field can be."""


class RecordLayout(Strict):
    """The bytes of a record, field by field."""

    length: int = Field(ge=1, le=4096, description="bytes of the whole record")
    fields: Annotated[
        tuple[RecordField, ...], Field(strict=False, min_length=1, max_length=64)
    ] = Field(description="the fields, in the order of the bytes")

    @model_validator(mode="after")
    def _adds_up(self) -> Self:
        size = sum(field.size for field in self.fields)
        if size != self.length:
            raise complaint(
                f"the fields take {size} bytes of {self.length}",
                expected="a fill for what is left"
                if size < self.length
                else f"length: {size}",
                at="length",
            )
        before: list[str] = []
        for number, field in enumerate(self.fields):
            _require_after(field, before, f"fields.{number}")
            before.append(field.name)
        return self


def _require_after(field: RecordField, before: list[str], at: str) -> None:
    """A field has a name of its own, and a check value covers fields before it."""
    if field.name in before:
        raise complaint(
            f"two fields with the name {field.name!r}",
            expected="each name once",
            at=f"{at}.name",
        )
    if unknown := [name for name in field.over or () if name not in before]:
        raise complaint(
            f"{unknown[0]!r} does not stand before the check value",
            expected=", ".join(before) or "a field before it",
            at=f"{at}.over",
        )
    if field.crc and not before:
        raise complaint(
            "a check value of nothing",
            expected="fields before it",
            at=f"{at}.crc",
        )


UnitValue = Scalar
"""A value of one unit: its serial number, its lot, a column of the list."""
