"""What a plan says about units on a production line; only the station reads it."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from harness.plans.schema.base import Strict, Word, complaint


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
    bins: Bins = Field(default_factory=Bins, description="where units go")


__all__ = ["Bins", "UnitRules"]
