"""What the measuring steps may hold: measure and shmoo."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from harness.plans.schema.base import Limited, SocketName, Strict, Word, complaint
from harness.plans.schema.bodies import AtSpeed
from harness.plans.schema.trials import Stress
from harness.plans.schema.varied.instruments import SetsConditions, SettingName

TimingName = Literal[
    "clock_error",
    "rise_time",
    "capacitance",
    "presence_wait",
    "presence_end",
    "reset_high",
    "longest_write_1",
    "sample_instant",
    "read_0_hold",
    "shortest_low",
    "slot_period",
    "recovery",
]
"""Quantities of the timing instrument; the first six are the line's."""


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) and value not in _GROUPS else value


_GROUPS = ("all", "line", "devices")

_NOT_IN_OVERDRIVE = frozenset(
    {"line", "clock_error", "rise_time", "capacitance", "reset_high"}
)

TimingNames = Annotated[
    tuple[TimingName, ...],
    Field(min_length=1, strict=False),
    BeforeValidator(_as_list, json_schema_input_type=TimingName | list[TimingName]),
]


class Measure(AtSpeed, Limited):
    """Time limits of line and devices, measured, each with its uncertainty and margin."""

    what: Literal["all", "line", "devices"] | TimingNames = Field(
        default="all", description="all, line, devices, or names of quantities"
    )
    margin_us: float | None = Field(
        default=None,
        ge=0,
        description="least distance to the published limit that each time must keep",
    )

    @model_validator(mode="after")
    def _limits_of_one(self) -> Self:
        limited = self.low is not None or self.high is not None
        if limited and (isinstance(self.what, str) or len(self.what) != 1):
            raise complaint(
                "low or high for several quantities",
                expected="one name under what",
                at="what",
            )
        return self

    @model_validator(mode="after")
    def _of_devices_in_overdrive(self) -> Self:
        """The line is measured at standard speed; so are the times that need it."""
        asked = (self.what,) if isinstance(self.what, str) else self.what
        if self.speed == "overdrive":
            for name in asked:
                if name in _NOT_IN_OVERDRIVE:
                    raise complaint(
                        f"{name} in overdrive",
                        expected="all, devices, presence_wait, presence_end or a "
                        "device's quantity",
                        at="what",
                    )
        return self


class Against(Strict):
    """The other axis of a shmoo plot."""

    axis: Literal["baud", "pull-up", "temperature", "prompt", "instrument"] = Field(
        description="baud: rates; pull-up: as built and with the strong one; "
        "temperature: the device's own, row after row; prompt: the operator sets values; "
        "instrument: a setting of an instrument of the fixture"
    )
    instrument: SocketName | None = Field(
        default=None, description="name of the instrument, for axis instrument"
    )
    setting: SettingName | None = Field(
        default=None, description="its setting, such as voltage_v"
    )
    values: (
        Annotated[tuple[float, ...], Field(min_length=1, max_length=200, strict=False)]
        | None
    ) = Field(
        default=None, description="values of the axis, for baud, prompt and instrument"
    )
    label: Word | None = Field(
        default=None, description="what the operator sets, such as supply"
    )
    unit: Word | None = Field(default=None, description="its unit, such as V")
    rows: int = Field(
        default=10, ge=1, le=1000, description="number of rows, for temperature"
    )
    every_s: float = Field(
        default=60.0, ge=0, le=86_400, description="time between rows, for temperature"
    )

    @model_validator(mode="after")
    def _values_where_needed(self) -> Self:
        needs = self.axis in {"baud", "prompt", "instrument"}
        named = (self.instrument is not None, self.setting is not None)
        if named != (self.axis == "instrument",) * 2:
            raise complaint(
                f"axis {self.axis} with instrument or setting missing, or too many",
                expected="both for axis instrument, none for another",
            )
        if needs and self.values is None:
            raise complaint(
                f"axis {self.axis} without values", expected="values: [...]"
            )
        if self.axis == "prompt" and self.label is None:
            raise complaint(
                "axis prompt without a label", expected="label: what to set"
            )
        return self


class Shmoo(Stress, SetsConditions):
    """Slots at a row of low times against another axis, pass or fail for each cell."""

    against: Against = Field(description="the other axis")

    @property
    def axis_settings(self) -> dict[str, dict[str, tuple[float, ...]]]:
        """Values that an instrument goes through, by instrument and setting; may be none."""
        against = self.against
        if against.instrument is None or against.setting is None:
            return {}
        return {against.instrument: {against.setting: against.values or ()}}
