"""Rows of a described kind: blocks, registers, derived quantities, restart signs."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from harness.families.hazard import known_hazards
from harness.families.restart import Trace
from harness.plans.loading.problems import nearest, one_of
from harness.plans.schema.base import (
    HazardNames,
    Scalar,
    Strict,
    Text,
    Word,
    complaint,
    formed,
)
from harness.plans.schema.kind.exchange import Exchange, Exchanges
from harness.plans.schema.transact import BitPlace, HexBytes

RowName = Annotated[
    str, *formed(r"^[a-z][a-z0-9_]{0,47}$", "small letters, digits and _")
]
"""Name of a quantity, setting, block or conversion."""


def _known(names: tuple[str, ...]) -> tuple[str, ...]:
    for number, name in enumerate(names):
        if name not in known_hazards():
            raise complaint(
                f"unknown hazard {name!r}",
                expected=one_of(known_hazards()),
                nearest=nearest(name, known_hazards()),
                at=str(number) if len(names) > 1 else "",
            )
    return names


Hazards = Annotated[HazardNames, AfterValidator(_known)]
"""Hazards by name."""

Names = Annotated[tuple[str, ...], Field(strict=False, max_length=64)]


class Change(Strict):
    """How a block is written; it is read back and compared."""

    exchanges: Annotated[Exchanges, Field(min_length=1)] = Field(
        description="what is sent; {data} is the whole block as it shall be, {data 5} "
        "its byte 5, {data 2..4} its bytes 2 to 4, {old} the block as it was"
    )
    keeps: HexBytes = Field(
        default="",
        description="bits of the block that read back as written; all if none",
    )


class BlockRow(Exchange):
    """Bytes that the device answers together: a page, a scratchpad, a status."""

    before: Exchanges = Field(
        default=(), description="exchanges made first, such as a recall"
    )
    change: Change | None = Field(
        default=None, description="how it is written; it cannot be if left out"
    )

    @model_validator(mode="after")
    def _answers(self) -> Self:
        if not self.block_bytes:
            raise complaint("a block of no bytes", expected="read", at="read")
        return self


class Needs(Strict):
    """What must hold for a register to mean anything."""

    register_: RowName = Field(alias="register", description="row of the same block")
    value: Scalar = Field(description="what that row must read")


class RegisterRow(BitPlace):
    """One row of the data sheet's register table: a quantity, a setting, or both."""

    name: RowName = Field(description="name of the quantity, as plans write it")
    about: Word = Field(default="", min_length=0, description="one sentence for people")
    block: RowName = Field(description="block that holds it")
    conversion: RowName | None = Field(
        default=None, description="conversion made before a new value is read"
    )
    codes: dict[str, Scalar] = Field(
        default_factory=dict, description="what each raw value stands for"
    )
    never_set: int = Field(
        default=0, ge=0, lt=1 << 64, description="bits of its bytes that are never set"
    )
    sign_extended: bool = Field(
        default=False, description="bits above it repeat its sign; others are an error"
    )
    low: float | None = Field(
        default=None, description="lowest value that can be measured"
    )
    high: float | None = Field(
        default=None, description="highest value that can be measured"
    )
    needs: Needs | None = Field(
        default=None, description="another row that must read so, else the value is old"
    )
    divided_by: Literal["sense_mohm"] | None = Field(
        default=None,
        description="what only the bench knows; the scale is divided by it",
    )
    access: Literal["read", "write", "read-write"] = Field(
        default="read", description="a quantity, a setting, or both"
    )
    setting: RowName | None = Field(
        default=None, description="name of the setting if it differs from name"
    )
    after_power_up: Scalar | None = Field(
        default=None, description="value after power-up, where nothing keeps another"
    )
    hazards: Hazards = Field(default=(), description="of writing it")
    governs: Names = Field(
        default=(), description="quantities and checks that depend on the setting"
    )
    safe: bool = Field(
        default=False,
        description="an examination may ask for it: asking stores, switches and counts "
        "nothing",
    )

    @field_validator("codes")
    @classmethod
    def _raw_values(cls, codes: dict[str, Scalar]) -> dict[str, Scalar]:
        for key in codes:
            if not re.fullmatch(r"[0-9]{1,20}|0x[0-9A-Fa-f]{1,16}", key):
                raise complaint(
                    f"{key!r} is no raw value", expected="a whole number", at=key
                )
        return codes

    @model_validator(mode="after")
    def _goes_together(self) -> Self:
        if self.codes and (self.scale != 1 or self.offset):
            raise complaint(
                "codes beside scale or offset", expected="one of the two", at="codes"
            )
        self._require_bounds()
        if self.sign_extended and not (self.signed and self.bits):
            raise complaint(
                "sign_extended without signed and bits",
                expected="both",
                at="sign_extended",
            )
        return self

    def _require_bounds(self) -> None:
        bounds = [bound for bound in (self.low, self.high) if bound is not None]
        if len(bounds) == 2 and bounds[0] > bounds[1]:
            raise complaint(
                f"low {bounds[0]:g} lies above high {bounds[1]:g}", at="low"
            )
        if self.divided_by and (self.codes or bounds):
            raise complaint(
                "divided_by beside codes, low or high",
                expected="a plain number",
                at="divided_by",
            )

    @property
    def meanings(self) -> dict[int, Scalar]:
        """Raw value to what it stands for."""
        return {int(key, 0): value for key, value in self.codes.items()}

    @property
    def is_number(self) -> bool:
        """True if its values are numbers."""
        return not self.codes or all(
            isinstance(v, int | float) and not isinstance(v, bool)
            for v in self.codes.values()
        )

    @property
    def key(self) -> str:
        """Name of the setting."""
        return self.setting or self.name


class Term(Strict):
    """A factor times powers of quantities."""

    factor: float = Field(description="the factor")
    powers: dict[str, int] = Field(
        default_factory=dict, description="quantity and its power; none for a constant"
    )

    @field_validator("powers")
    @classmethod
    def _few(cls, powers: dict[str, int]) -> dict[str, int]:
        for name, power in powers.items():
            if not 1 <= power <= 20:
                raise complaint(f"power {power}", expected="from 1 up to 20", at=name)
        return powers


class Derived(Strict):
    """A quantity worked out from others: a polynomial, a sum of terms, or a table."""

    name: RowName = Field(description="name of the quantity, as plans write it")
    unit: Annotated[str, Field(max_length=20)] = Field(
        default="", description="unit as printed"
    )
    about: Word = Field(default="", min_length=0, description="one sentence for people")
    of: RowName | None = Field(
        default=None, description="quantity that polynomial or table is about"
    )
    polynomial: Annotated[tuple[float, ...], Field(strict=False, max_length=21)] = (
        Field(
            default=(), description="factors of the powers 0, 1, 2 ... of that quantity"
        )
    )
    terms: Annotated[tuple[Term, ...], Field(strict=False, max_length=100)] = Field(
        default=(), description="their sum, where several quantities come in"
    )
    table: Annotated[
        tuple[
            Annotated[
                tuple[float, ...], Field(strict=False, min_length=2, max_length=2)
            ],
            ...,
        ],
        Field(strict=False, max_length=1000),
    ] = Field(
        default=(),
        description="pairs of that quantity and this one, the first rising; straight "
        "lines between them, nothing beyond",
    )
    low: float | None = Field(default=None, description="lowest value that can be")
    high: float | None = Field(default=None, description="highest value that can be")
    safe: bool = Field(default=False, description="an examination may ask for it")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [bool(self.polynomial), bool(self.terms), bool(self.table)]
        if ways.count(True) != 1:
            raise complaint(
                f"{ways.count(True)} ways to work out {self.name}",
                expected="one of polynomial, terms and table",
            )
        if bool(self.terms) == (self.of is not None):
            raise complaint(
                "`of` goes with polynomial or table", expected="of beside one of them"
            )
        if self.table:
            xs = [pair[0] for pair in self.table]
            if len(xs) < 2 or any(b <= a for a, b in pairwise(xs)):
                raise complaint(
                    "a table whose first column does not rise",
                    expected="two pairs or more, each beyond the one before",
                    at="table",
                )
        return self

    @property
    def sources(self) -> list[str]:
        """Names of the quantities that it is worked out from."""
        if self.of is not None:
            return [self.of]
        return list(dict.fromkeys(name for term in self.terms for name in term.powers))


class Restart(Strict):
    """One trace that a restart leaves."""

    shown_by: RowName = Field(description="quantity that shows it")
    trace: Literal[tuple(str(trace) for trace in Trace)] = Field(  # type: ignore[valid-type]
        description="which kind of trace"
    )
    after: Scalar | None = Field(
        default=None, description="what it reads after a restart"
    )
    after_is: Literal["stored", "random", "refused"] | None = Field(
        default=None,
        description="instead of after: as stored in the device, random, or held back",
    )
    governs: Names = Field(
        default=(), description="what must not be believed once it shows"
    )
    when: Word = Field(default="", min_length=0, description="what must hold for it")
    about: Word = Field(description="one sentence for people")
    source: Text = Field(description="data sheet and page, or from memory")

    @model_validator(mode="after")
    def _one_after(self) -> Self:
        if (self.after is None) == (self.after_is is None):
            raise complaint(
                "what it reads after a restart", expected="one of after and after_is"
            )
        return self
