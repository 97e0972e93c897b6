"""What a plan file may hold: a title, parameters, steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Annotated

from pydantic import Field, PrivateAttr

from harness.errors import UsageError
from harness.plans.schema.base import FromFile, PlugIns, Scalar, Text, Word, formed
from harness.plans.schema.record import FieldName, RecordLayout
from harness.plans.schema.steps import StepItem, Steps
from harness.plans.schema.unit import UnitRules

ParameterName = Annotated[
    str,
    *formed(
        r"^[A-Za-z_][A-Za-z0-9_]{0,63}$",
        "letters, digits and _, and no digit first",
    ),
]


UnitValues = Mapping[str, Scalar]
"""Values of one unit by name: serial, lot, count, today, and columns of the list."""


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
    record: dict[FieldName, RecordLayout] = Field(
        default_factory=dict,
        description="records that a unit carries: name, and the bytes field by field",
    )
    plug_ins: PlugIns = Field(
        default=(),
        description="plug-ins of installed packages that the plan needs, by name",
    )
    steps: Steps = Field(description="what to do, in this order")

    _unit: UnitValues | None = PrivateAttr(default=None)
    _mentions: frozenset[str] = PrivateAttr(default=frozenset())
    _again: Callable[[UnitValues], Plan] | None = PrivateAttr(default=None)

    def can_be_of_units(
        self, mentions: Iterable[str], again: Callable[[UnitValues], Plan]
    ) -> Plan:
        """Note how the plan of one unit is made; only loading calls this.

        Args:
            mentions: names behind ``$unit.`` that the plan takes, and ``today``.
            again: makes the same plan with the values of a unit in it.
        """
        self._mentions, self._again = frozenset(mentions), again
        return self

    @property
    def mentions(self) -> frozenset[str]:
        """Values of a unit that the plan takes, by name; ``today`` among them."""
        return self._mentions

    @property
    def unit_values(self) -> UnitValues | None:
        """Values of the unit that this plan is for; None if it is for no particular one."""
        return self._unit

    def of_unit(
        self,
        values: UnitValues,
        *,
        give: str = "--unit {}=..., or a column {} in the list of units",
    ) -> Plan:
        """The plan of one unit: its values stand where the file names them.

        Args:
            values: by name.
            give: how to give a value, for the message where one is missing; ``{}``
                stands for its name.

        Raises:
            UsageError: the plan takes a value that the unit lacks.
            PlanError: a value does not fit, with its place in the plan.
        """
        missing = sorted(self._mentions - {"rom_code", *values})
        if missing:
            raise UsageError(
                f"the plan takes $unit.{missing[0]}, and this unit has none",
                where=self.source.name,
                hint=f"give it: {give.replace('{}', missing[0])}",
            )
        if not self._mentions or self._again is None:
            return self
        plan = self._again(values)
        plan._unit = dict(values)
        return plan

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
