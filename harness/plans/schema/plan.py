"""What a plan file may hold: a title, parameters, steps."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from harness.plans.schema.base import FromFile, Scalar, Text, Word, formed
from harness.plans.schema.steps import StepItem, Steps
from harness.plans.schema.unit import UnitRules

ParameterName = Annotated[
    str,
    *formed(
        r"^[A-Za-z_][A-Za-z0-9_]{0,63}$",
        "letters, digits and _, and no digit first",
    ),
]


class Plan(FromFile):
    """A test plan.

    ``parameters`` holds the values in force: the defaults of the file, or what
    the command line put in their place.

    Example:
        >>> import harness
        >>> plan: harness.Plan = harness.load_plan("test_plans/serial_numbers.yaml")
        >>> plan.title, [step.kind for step in plan.steps]
        ('serial numbers', ['reset', 'enumerate', 'verify', 'for_each'])
    """

    title: Word = Field(alias="plan", description="title of the plan")
    about: Text | None = Field(
        default=None, description="what the plan proves, for the reader"
    )
    parameters: dict[ParameterName, Scalar] = Field(
        default_factory=dict,
        description="name and default of each parameter; a step takes it as $name",
    )
    stop_on_fail: bool = Field(
        default=False, description="end the run at the first step that fails"
    )
    diagnose: bool = Field(
        default=False,
        description="append a short diagnosis to each step that does not pass; its "
        "results are then recorded when the step ends",
    )
    unit: UnitRules = Field(
        default_factory=UnitRules,
        description="serial number, retests and bins; only `slotproof station` reads it",
    )
    steps: Steps = Field(description="what to do, in this order")

    def all_steps(self) -> Iterator[StepItem]:
        """Every step, the inner ones after their outer one."""
        return _walk(self.steps)

    def leaf_steps(self) -> Iterator[StepItem]:
        """Every step that has none inside, in the order of the file."""
        return (item for item in self.all_steps() if not item.steps)


def _walk(steps: tuple[StepItem, ...]) -> Iterator[StepItem]:
    for item in steps:
        yield item
        yield from _walk(item.steps)
