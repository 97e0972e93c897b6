"""What the soak may hold: readings for hours, what they must prove, when they end."""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import Field, model_validator

from harness.plans.schema.base import (
    Families,
    FamilyName,
    Limited,
    Strict,
    Text,
    complaint,
)
from harness.plans.schema.bodies import LONGEST_S, StepBody


class Tolerate(Strict):
    """How many disturbances a soak tolerates, over all devices."""

    retries: int | None = Field(
        default=None, ge=0, description="most retries; default is no limit"
    )
    lost_readings: int = Field(
        default=0, ge=0, description="most readings that failed in all tries"
    )
    check_values: int | None = Field(
        default=None, ge=0, description="most wrong check values; default is no limit"
    )
    drift: float | None = Field(
        default=None,
        ge=0,
        description="largest drift of a device against its neighbours over the soak, in "
        "the unit of the quantity; default 0.4 for temperature, else none is judged",
    )


class ClaimSettings(Strict):
    """What a soak must prove: an error rate, with a confidence."""

    error_rate: float = Field(
        gt=0, lt=1, description="highest share of tries that may fail"
    )
    confidence: float = Field(
        default=0.95, ge=0.5, lt=1, description="of the proof, 0.95 for 95 %"
    )
    of: Literal["bus", "each-device"] = Field(
        default="bus", description="all tries together, or those of each device"
    )


class StopAt(Strict):
    """When a soak has seen enough and ends as failed."""

    lost_readings: int | None = Field(
        default=None, ge=1, description="so many readings that failed in all tries"
    )
    error_rate: float | None = Field(
        default=None,
        gt=0,
        lt=0.5,
        description="share of failed tries; ends once a sequential test finds twice it",
    )

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.lost_readings is None and self.error_rate is None:
            raise complaint(
                "stop_at without a threshold", expected="lost_readings or error_rate"
            )
        return self


class Soak(StepBody, Limited):
    """Readings of all devices, round after round, for hours."""

    for_s: float | None = Field(
        default=None, gt=0, le=LONGEST_S, description="length of the soak"
    )
    cycles: int | None = Field(
        default=None, ge=1, le=10_000_000, description="number of rounds"
    )
    every_s: float = Field(
        default=60.0, ge=0, le=86_400, description="time from round to round"
    )
    family: Families | None = Field(
        default=None, description="family code or codes of the devices to read"
    )
    quantity: FamilyName = Field(default="temperature", description="what to read")
    tolerate: Tolerate = Field(
        default_factory=Tolerate, description="disturbances that do not fail the soak"
    )
    claim: ClaimSettings | None = Field(
        default=None, description="the error rate that the soak must prove"
    )
    stop_at: StopAt | None = Field(
        default=None, description="disturbances at which the soak ends early and fails"
    )
    events: Text | None = Field(
        default=None,
        description="file of other events (CSV: time,text), read as it grows; "
        "a relative name counts from the plan's folder",
    )
    events_within_s: float = Field(
        default=60.0,
        gt=0,
        le=86_400,
        description="how long after an event an error may come from it",
    )
    margins_every_s: float | None = Field(
        default=None,
        ge=60,
        le=LONGEST_S,
        description="measure timing margins so often, between two rounds; default never",
    )
    journal_mb: float = Field(
        default=64.0,
        ge=1,
        le=100_000,
        description="most that the soak writes to the journal, in megabytes",
    )

    @model_validator(mode="after")
    def _has_an_end(self) -> Self:
        if self.for_s is None and self.cycles is None:
            raise complaint("a soak without an end", expected="for_s or cycles")
        return self._provable()

    def _provable(self) -> Self:
        """A claim for each device that no error-free soak could prove is a mistake."""
        rounds = self.planned_rounds
        if self.claim is None or self.claim.of == "bus" or rounds is None:
            return self
        best = 1 - (1 - self.claim.confidence) ** (1 / rounds)
        if best > self.claim.error_rate * (1 + 1e-9):
            needed = math.ceil(
                math.log(1 - self.claim.confidence) / math.log1p(-self.claim.error_rate)
                - 1e-9
            )
            raise complaint(
                f"{rounds} rounds without an error prove {best:.3g} for each device "
                f"and not {self.claim.error_rate:g}",
                expected=f"at least {needed} rounds",
                at="claim",
            )
        return self

    @property
    def planned_rounds(self) -> int | None:
        """Rounds that begin in the planned time; None if only the bus sets their pace."""
        by_time = None
        if self.for_s is not None and self.every_s > 0:
            by_time = math.ceil(round(self.for_s / self.every_s, 6))
        return min((n for n in (self.cycles, by_time) if n is not None), default=None)
