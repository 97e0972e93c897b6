"""What the stress trial may hold: slots at a row of low times."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from harness.plans.schema.base import Strict, complaint
from harness.plans.schema.bodies import StepBody

_MOST_POINTS = 10_000

LowTime = Annotated[float, Field(gt=0, lt=480)]
"""Low time of a slot in us; from 480 us on it would be a reset."""


class LowSpan(Strict):
    """Evenly spaced low times."""

    from_us: LowTime = Field(alias="from", description="first low time in us")
    to_us: LowTime = Field(alias="to", description="last low time in us")
    step_us: float = Field(alias="step", gt=0, description="distance in us")

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.from_us > self.to_us:
            raise complaint(
                f"from {self.from_us:g} lies above to {self.to_us:g}",
                expected=f"to from {self.from_us:g} on",
                at="to",
            )
        if (self.to_us - self.from_us) / self.step_us >= _MOST_POINTS:
            raise complaint(
                "too many points",
                expected=f"a step that gives at most {_MOST_POINTS} points",
                at="step",
            )
        return self

    @property
    def points_us(self) -> tuple[float, ...]:
        """All low times, the last included where the step meets it."""
        # a millionth of a step keeps 0.1 + 0.1 + 0.1 from missing 0.3
        count = int((self.to_us - self.from_us) / self.step_us + 1e-6) + 1
        return tuple(round(self.from_us + i * self.step_us, 6) for i in range(count))


class HoldRange(Strict):
    """The low times at which every slot must pass."""

    from_us: float = Field(gt=0, description="shortest low time that must pass")
    to_us: float = Field(gt=0, description="longest low time that must pass")

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.from_us > self.to_us:
            raise complaint(
                f"from_us {self.from_us:g} lies above to_us {self.to_us:g}",
                expected=f"to_us from {self.from_us:g} on",
                at="to_us",
            )
        return self


def _form_of_low_times(value: object) -> str:
    return "span" if isinstance(value, dict | LowSpan) else "list"


LowTimes = Annotated[
    Annotated[
        tuple[LowTime, ...],
        Field(min_length=1, max_length=_MOST_POINTS, strict=False),
        Tag("list"),
    ]
    | Annotated[LowSpan, Tag("span")],
    Discriminator(_form_of_low_times),
]


class Stress(StepBody):
    """One kind of slot at a row of low times, pass or fail for each."""

    slot: Literal["write-0", "write-1", "read"] = Field(description="kind of slot")
    low_us: LowTimes = Field(description="low times in us: a list, or {from, to, step}")
    slots: int = Field(
        default=200, ge=1, le=1_000_000, description="number of slots at each low time"
    )
    must_hold: HoldRange | None = Field(
        default=None,
        description="points in this range must pass; default is the published limits",
    )

    @property
    def points_us(self) -> tuple[float, ...]:
        """The low times in us, in the order of the plan."""
        if isinstance(self.low_us, LowSpan):
            return self.low_us.points_us
        return self.low_us
