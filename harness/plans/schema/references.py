"""What a fixture says of a reference device, and a read step of comparing with it."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from harness.plans.schema.base import FamilyName, SocketName, Strict, Word, complaint
from harness.quality.guard import ISO_DEFAULT


def _a_day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError:
        raise complaint(
            f"{text!r} is no date", expected='a date such as "2027-03-31"'
        ) from None
    return text


DayText = Annotated[
    str,
    AfterValidator(_a_day),
    Field(json_schema_extra={"pattern": r"^\d{4}-\d{2}-\d{2}$"}),
]
"""A date, year first."""


class Calibration(Strict):
    """What a certificate says of a reference: corrections, uncertainty, due date.

    All values are in the unit of the quantity.
    """

    certificate: Word = Field(description="number of the calibration certificate")
    due: DayText = Field(description="last day on which it may be used")
    quantity: FamilyName = Field(
        default="temperature", description="the quantity that was calibrated"
    )
    corrections: Annotated[
        tuple[
            Annotated[
                tuple[float, float],
                Field(strict=False),
            ],
            ...,
        ],
        Field(min_length=1, max_length=1000, strict=False),
    ] = Field(description="rows of reading and correction; true = reading + correction")
    curve: Literal["points", "line"] = Field(
        default="points",
        description="points: straight between two rows; line: one least squares line "
        "through all rows, whose own uncertainty counts",
    )
    uncertainty: float = Field(
        ge=0, description="expanded uncertainty U of the corrections"
    )
    coverage_factor: float = Field(
        default=2.0, ge=1, le=4, description="k of that uncertainty"
    )
    drift: float = Field(
        default=0.0, ge=0, description="largest change since the certificate, +-"
    )
    resolution: float = Field(
        default=0.0, ge=0, description="step of the reference's readings"
    )
    uniformity: float = Field(
        default=0.0,
        ge=0,
        description="largest difference between its place and those of the devices, +-",
    )

    @field_validator("corrections")
    @classmethod
    def _rising(
        cls, rows: tuple[tuple[float, float], ...]
    ) -> tuple[tuple[float, float], ...]:
        for number, ((before, _), (after, _)) in enumerate(pairwise(rows), 1):
            if after <= before:
                raise complaint(
                    f"reading {after:g} behind {before:g}",
                    expected="rows in rising order of their readings, each once",
                    at=str(number),
                )
        return rows

    @field_validator("curve")
    @classmethod
    def _rows_enough(cls, curve: str, info: ValidationInfo) -> str:
        rows = info.data.get("corrections")
        if curve == "line" and rows is not None and len(rows) < 3:
            raise complaint(
                f"a line through {len(rows)} row(s)", expected="three rows at least"
            )
        return curve

    @property
    def last_day(self) -> date:
        """The due date."""
        return date.fromisoformat(self.due)


class AgainstReference(Strict):
    """The reference that a reading is compared with, and how it is decided."""

    socket: SocketName | None = Field(
        default=None,
        description="socket with reference: true; both are read from one conversion",
    )
    instrument: SocketName | None = Field(
        default=None,
        description="instrument with a calibration; it is read as the conversion ends",
    )
    within_s: float | None = Field(
        default=None,
        gt=0,
        le=3600,
        description="longest time between the two readings, where they cannot come from "
        "one conversion; without it that is an error",
    )
    guard: float = Field(
        default=ISO_DEFAULT,
        ge=0,
        le=2,
        description="guard band as a multiple of the expanded uncertainty U; 0 judges "
        "by the limits alone",
    )

    @model_validator(mode="after")
    def _one_reference(self) -> Self:
        if (self.socket is None) == (self.instrument is None):
            raise complaint(
                "against needs one reference",
                expected="socket: NAME of a reference device, or instrument: NAME",
            )
        return self

    @property
    def name(self) -> str:
        """Socket or instrument."""
        return self.socket or self.instrument or ""


def difference_unit(unit: str) -> str:
    """Unit of the difference of two values; temperatures differ by kelvins."""
    return "K" if unit == "degC" else unit


class Settle(Strict):
    """When a reading counts as stable."""

    within: float = Field(
        gt=0, description="readings stay within +- this of their middle, in their unit"
    )
    for_s: float = Field(gt=0, le=86_400, description="for so long")
    at_most_s: float = Field(
        gt=0, le=604_800, description="longest wait; after it the bench is in error"
    )

    @field_validator("at_most_s")
    @classmethod
    def _longer(cls, at_most_s: float, info: ValidationInfo) -> float:
        for_s = info.data.get("for_s")
        if for_s is not None and at_most_s < for_s:
            raise complaint(
                f"at_most_s {at_most_s:g} below for_s {for_s:g}",
                expected=f"{for_s:g} or more",
            )
        return at_most_s
