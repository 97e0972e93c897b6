"""What the single steps of a plan may hold: bus, readings, operator, power."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from harness.old_names import current_keys
from harness.plans.schema.base import (
    Families,
    FamilyName,
    HazardNames,
    Limited,
    Scalar,
    SocketNames,
    Strict,
    Text,
    Word,
    complaint,
)
from harness.plans.schema.references import AgainstReference, Settle

LONGEST_S = 90 * 86_400.0
"""No single step lasts longer: ninety days."""


class StepBody(Strict):
    """Keys that every step may carry."""

    name: Word | None = Field(
        default=None, description="title of the step in reports, instead of its own"
    )
    retries: int = Field(
        default=0,
        ge=0,
        le=10,
        description="further tries before the verdict; they stay visible",
    )
    on_fail: Literal["go-on", "stop"] | None = Field(
        default=None,
        description="what a failure of this step means for the rest; default is "
        "the plan's stop_on_fail",
    )
    hint: Text | None = Field(
        default=None,
        description="what a technician looks at first, instead of the built-in hint",
    )
    only_if_passed: bool = Field(
        default=False,
        description="true: done only if every step before it in this run passed; for "
        "what cannot be taken back, such as a lock or a unit's record",
    )


class AtSpeed(StepBody):
    """A step that can be done at either bus speed."""

    speed: Literal["standard", "overdrive"] = Field(
        default="standard",
        description="overdrive: the devices meant are brought into it for this step; "
        "every step leaves the bus at standard speed",
    )


class Reset(StepBody):
    """Reset pulses, and whether a presence pulse answers."""

    times: int = Field(default=1, ge=1, le=100_000, description="number of resets")
    presence: Literal["required", "absent"] = Field(
        default="required", description="what must answer each reset"
    )


class Enumerate(AtSpeed):
    """A full search of the bus and what it must find."""

    count: int | None = Field(
        default=None, ge=0, le=2000, description="exact number of devices"
    )
    at_least: int | None = Field(
        default=None, ge=0, le=2000, description="lowest number of devices"
    )
    families: Families | None = Field(
        default=None, description="the only family codes allowed on the bus"
    )
    unique: bool = Field(
        default=True, description="no ROM code twice and none that cannot be"
    )
    match_sockets: bool = Field(
        default=False,
        description="each socket's expected ROM code or family must be found",
    )
    scans: int = Field(
        default=1,
        ge=1,
        le=1000,
        description="number of searches; all must find the same devices",
    )
    alarm: bool = Field(
        default=False, description="conditional search: only devices in alarm answer"
    )

    @model_validator(mode="after")
    def _one_count(self) -> Self:
        if self.count is not None and self.at_least is not None:
            raise complaint(
                "count and at_least together", expected="one of them", at="at_least"
            )
        return self


class Verify(AtSpeed):
    """Known ROM codes answer, each found without a full search."""

    sockets: Literal["all"] | SocketNames = Field(
        default="all", description="all, or a list of socket names"
    )


class Convert(StepBody):
    """One conversion of all devices together, for reads with fresh: false."""

    family: Families | None = Field(
        default=None, description="family code or codes whose conversion time counts"
    )
    power: Literal["auto", "external", "parasite"] = Field(
        default="auto",
        description="supply during the conversion; auto asks the devices",
    )


class Read(AtSpeed, Limited):
    """One quantity of a device, and its limits."""

    quantity: FamilyName = Field(
        description="name of the quantity, such as temperature"
    )
    wanted: Scalar | None = Field(
        default=None, description="value that must be met exactly, text or number"
    )
    unit: Word | None = Field(
        default=None, description="unit of the limits; must be the quantity's own"
    )
    fresh: bool = Field(
        default=True,
        description="measure anew; false takes what the last convert of this run left, "
        "or makes a conversion and notes that",
    )
    average: int = Field(
        default=1, ge=1, le=100, description="number of readings to average"
    )
    against: AgainstReference | None = Field(
        default=None,
        description="judge the difference to a reference device, not the value itself",
    )
    settle: Settle | None = Field(
        default=None,
        description="wait first until the readings of the reference are stable",
    )

    @model_validator(mode="after")
    def _one_pair_of_readings(self) -> Self:
        if self.against is None:
            if self.settle is not None:
                raise complaint(
                    "settle without a reference",
                    expected="against beside it: whether device or bench is restless, "
                    "a device alone cannot show",
                    at="settle",
                )
            return self
        apart = {
            "average": self.average > 1,
            "wanted": self.wanted is not None,
            "fresh": not self.fresh and self.against.instrument is not None,
            "speed": self.speed != "standard",
        }
        for key, is_set in apart.items():
            if is_set:
                raise complaint(
                    f"{key} beside against",
                    expected="one pair of readings from one conversion",
                    at=key,
                )
        return self

    @model_validator(mode="after")
    def _limits_or_value(self) -> Self:
        limited = self.low is not None or self.high is not None
        if limited and self.wanted is not None:
            raise complaint(
                "wanted beside low or high", expected="one of the two", at="wanted"
            )
        return self


class Configure(StepBody):
    """Settings written to a device and read back."""

    settings: Annotated[dict[str, Scalar], Field(min_length=1)] = Field(
        description="name and value of each setting"
    )
    store: bool = Field(
        default=False, description="keep them in the device's EEPROM (wears it)"
    )
    hazard: HazardNames = Field(
        default=(),
        description="hazards of these settings that the plan takes on; the command "
        "line must allow them too",
    )

    @field_validator("settings")
    @classmethod
    def _names_of_now(cls, settings: dict[str, Scalar]) -> dict[str, Scalar]:
        return current_keys(settings)


class Wait(StepBody):
    """A pause of the given time."""

    for_s: float = Field(gt=0, le=LONGEST_S, description="how long")


class Prompt(StepBody):
    """A text for the operator, and the answer."""

    text: Text = Field(description="what the operator reads")
    expect: Literal["enter", "yes-no"] = Field(
        default="enter", description="enter goes on; yes-no makes no a failure"
    )


class Switch(StepBody):
    """Supply or strong pull-up on or off, by the fixture's power section."""

    supply: Literal["on", "off"] | None = Field(
        default=None, description="the devices' supply"
    )
    strong_pull_up: Literal["on", "off"] | None = Field(
        default=None, description="the strong pull-up"
    )
    settle_s: float = Field(
        default=0.1, ge=0, le=3600, description="time to wait after switching"
    )

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.supply is None and self.strong_pull_up is None:
            raise complaint(
                "switch switches nothing", expected="supply or strong_pull_up"
            )
        return self
