"""What all models of plans and fixtures share: strictness, limits, small types."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

from harness.families.check import Check, Step
from harness.families.family import Family
from harness.old_names import current_name
from harness.records import Scalar


class Strict(BaseModel):
    """Base of all models: frozen, no unknown key, and "5" is not 5."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a plan or fixture was read from.

    Attributes:
        name: the file as the user named it, for messages.
        path: absolute path; empty if it came as text.
        sha256: hex digest of the bytes that were read.
    """

    name: str = ""
    path: str = ""
    sha256: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """A kind of device that a file describes, or what a plug-in offers.

    Attributes:
        source: the file.
        title: what the kind is called.
        families: the family of each of its codes.
        plain: the whole description as plain data, for the journal.
        checks: that a plug-in adds to kinds which are known without it, by family code.
        steps: that a plug-in adds.
    """

    source: Source
    title: str
    families: tuple[Family, ...]
    plain: dict[str, Any]
    checks: Mapping[int, tuple[Check, ...]] = field(default_factory=dict)
    steps: tuple[Step, ...] = ()


class FromFile(Strict):
    """A model that knows the file it came from; loading sets it."""

    _source: Source = PrivateAttr(default_factory=Source)
    _described: tuple[Described, ...] = PrivateAttr(default=())

    def come_from(self, source: Source) -> Self:
        """Note the origin; only loading calls this."""
        self._source = source
        return self

    def know(self, described: tuple[Described, ...]) -> Self:
        """Note the kinds that come with the file; only loading calls this."""
        self._described = described
        return self

    @property
    def described(self) -> tuple[Described, ...]:
        """Kinds of device that come with the file."""
        return self._described

    @property
    def families(self) -> tuple[Family, ...]:
        """The families of these kinds."""
        return tuple(family for kind in self._described for family in kind.families)

    @property
    def source(self) -> Source:
        """Name, path and digest of the file."""
        return self._source

    @property
    def path(self) -> str:
        """Absolute path of the file; empty if it came as text."""
        return self._source.path


def complaint(
    what: str, *, expected: str = "", nearest: str = "", at: str = ""
) -> PydanticCustomError:
    """The error that validators of plans and fixtures raise.

    Args:
        what: what is wrong, one clause.
        expected: what would be right.
        nearest: the valid word that was probably meant.
        at: key path inside the judged value, joined by dots, for the mark.
    """
    # the text travels as context, so braces in it are no format fields
    return PydanticCustomError(
        "plan_mistake",
        "{what}",
        {"what": what, "expected": expected, "nearest": nearest, "at": at},
    )


def _as_list(value: object) -> object:
    return value if isinstance(value, list | tuple | dict) else [value]


def _no_text(value: object) -> object:
    """Refuse what was left a text: no number, or one of more digits than are read."""
    if not isinstance(value, str):
        return value
    digits = re.fullmatch(r"(?:0[xX])?([0-9A-Fa-f]{2})[hH]?", value)
    short = value if len(value) <= _SHOWN else f"{value[:_SHOWN]}..."
    raise complaint(
        f"{short!r} is no family code",
        expected="from 0x01 up to 0xFF",
        nearest=f"0x{digits[1].upper()}" if digits else "",
    )


_SHOWN = 40
"""Characters of a wrong code in a message."""


def formed(pattern: str, words: str) -> tuple[object, object]:
    """Annotations for a text of one form, with words for people in the message."""

    def check(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise complaint(f"{text!r} cannot be a name", expected=words)
        return text

    return AfterValidator(check), Field(json_schema_extra={"pattern": pattern})


FamilyCode = Annotated[int, Field(ge=0x01, le=0xFF), BeforeValidator(_no_text)]
"""Family code; 00h is never used, for a line held low reads so."""

Families = Annotated[
    tuple[FamilyCode, ...],
    Field(min_length=1, strict=False),
    BeforeValidator(_as_list, json_schema_input_type=FamilyCode | list[FamilyCode]),
]
"""One family code or a list of them."""


def _one_word_as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


HazardNames = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=40)], ...],
    Field(strict=False, max_length=20),
    BeforeValidator(_one_word_as_list, json_schema_input_type=str | list[str]),
]
"""One hazard's name or a list of them."""

SocketName = Annotated[
    str, *formed(r"^[A-Za-z0-9_.-]{1,32}$", "1 to 32 letters, digits, dots, - and _")
]
"""Short name as printed beside the socket."""

SocketNames = Annotated[tuple[SocketName, ...], Field(min_length=1, strict=False)]

Word = Annotated[str, Field(min_length=1, max_length=200)]
"""A short text on one line of a report."""

FamilyName = Annotated[Word, AfterValidator(current_name)]
"""Name of a quantity or check of a family; an old name becomes the current one."""

Text = Annotated[str, Field(min_length=1, max_length=4000)]
"""A text of some lines."""


PlugIns = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=100)], ...],
    Field(strict=False, max_length=64),
]
"""Names of plug-ins: entry points of installed packages."""


class Limited(Strict):
    """A model with a lowest and a highest allowed value."""

    low: float | None = Field(
        default=None, description="lowest allowed value, in the quantity's unit"
    )
    high: float | None = Field(
        default=None, description="highest allowed value, in the quantity's unit"
    )

    @field_validator("high")
    @classmethod
    def _low_below_high(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get("low")
        if low is not None and high is not None and low > high:
            raise complaint(
                f"low {low:g} lies above high {high:g}",
                expected=f"high from {low:g} on",
            )
        return high


__all__ = [
    "Families",
    "FamilyCode",
    "FromFile",
    "HazardNames",
    "Limited",
    "Scalar",
    "SocketName",
    "SocketNames",
    "Source",
    "Strict",
    "Text",
    "Word",
    "complaint",
    "formed",
]
