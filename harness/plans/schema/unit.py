"""What a plan says about units on a production line; only the station reads it."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from harness.plans.schema.base import Scalar, Strict, Word, complaint, formed


def _sound_pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as cause:
        raise complaint(
            f"{text!r} is no regular expression: {cause}",
            expected="a pattern such as CS-[0-9]{6}",
        ) from None
    return text


class Bins(Strict):
    """Where the operator puts a unit, in the words of the shop floor."""

    passed: Word = Field(default="passed tray", description="for units that passed")
    failed: Word = Field(default="failed bin", description="for units that failed")
    error: Word = Field(
        default="hold shelf", description="for units that could not be judged"
    )


ColumnName = Annotated[
    str, *formed(r"^[a-z][a-z0-9_]{0,31}$", "small letters, digits and _")
]


class NumberRange(Strict):
    """Numbers that are given out once, across stations."""

    name: Annotated[
        str, *formed(r"^[A-Za-z0-9_.-]{1,40}$", "letters, digits, dots, - and _")
    ] = Field(description="name of the range in the ledger")
    first: int = Field(ge=0, lt=1 << 63, description="first number")
    last: int = Field(ge=0, lt=1 << 63, description="last number")
    block: int = Field(
        default=20,
        ge=1,
        le=10_000,
        description="numbers that a station takes at a time, for when the ledger is away",
    )
    failed: Literal["keep", "give-back"] = Field(
        default="keep",
        description="a unit that failed keeps its number, or gives it back if no bit of "
        "it was sent",
    )

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.last < self.first:
            raise complaint(
                f"last {self.last} lies below first {self.first}", at="last"
            )
        return self


class UnitRules(Strict):
    """Serial number, retests and bins of the units that a station tests."""

    serial_pattern: Annotated[Word, AfterValidator(_sound_pattern)] = Field(
        default=".{1,100}",
        description="what a whole serial number looks like, a regular expression",
    )
    retests: int = Field(
        default=1,
        ge=0,
        le=10,
        description="how often a unit that failed may be tested again, on any station",
    )
    passed_again: Literal["refuse", "test"] = Field(
        default="refuse", description="what happens to a unit that passed before"
    )
    columns: dict[ColumnName, Scalar] = Field(
        default_factory=dict,
        description="columns of the list of units that the plan takes as $unit.NAME, each "
        "with an example of its values",
    )
    numbers: NumberRange | None = Field(
        default=None,
        description="range that $unit.count is drawn from, each number once",
    )
    bins: Bins = Field(default_factory=Bins, description="where units go")


__all__ = ["Bins", "UnitRules"]
