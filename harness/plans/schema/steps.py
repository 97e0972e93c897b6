"""A step of a plan, and the two kinds that hold steps themselves.

A step is a mapping with one key, the kind. A `StepItem` has one field for each
kind and exactly one of them is set, so a mistake deep inside a body has the same
key path as in the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field, PrivateAttr, model_validator
from pydantic.json_schema import SkipJsonSchema

from harness.plans.schema.base import Families, SocketNames, Strict, complaint
from harness.plans.schema.bodies import (
    Configure,
    Convert,
    Enumerate,
    Prompt,
    Read,
    Reset,
    StepBody,
    Switch,
    Verify,
    Wait,
)
from harness.plans.schema.checks import CheckBody, PlugInStep
from harness.plans.schema.diagnose import Diagnose
from harness.plans.schema.measure import Measure, Shmoo
from harness.plans.schema.soak import Soak
from harness.plans.schema.titles import title_of
from harness.plans.schema.transact import Transact
from harness.plans.schema.trials import Stress
from harness.plans.schema.varied.instruments import Adjust, Meter
from harness.plans.schema.varied.vary import (
    Settings,
    VariedCondition,
    VaryOver,
    condition_text,
)


class ForEach(StepBody):
    """Steps repeated for each device of a family or in a list of sockets."""

    family: Families | None = Field(
        default=None, description="family code or codes of the devices"
    )
    sockets: SocketNames | None = Field(
        default=None, description="names of the sockets, from the fixture"
    )
    steps: Steps = Field(description="the steps for each device")


class Repeat(StepBody):
    """Steps done several times over."""

    times: int = Field(ge=1, le=1_000_000, description="how often")
    steps: Steps = Field(description="the steps")


class Vary(VaryOver):
    """Steps under each combination of settings of the instruments."""

    steps: Steps = Field(description="the steps under each condition")


class StepItem(Strict):
    """One step: a mapping with one key, its kind.

    ``id`` and ``line`` are set while loading: ``3`` is the plan's third step,
    ``3.1`` the first step inside it.
    """

    reset: Reset | None = Field(default=None, description=Reset.__doc__)
    enumerate: Enumerate | None = Field(default=None, description=Enumerate.__doc__)
    verify: Verify | None = Field(default=None, description=Verify.__doc__)
    for_each: ForEach | None = Field(default=None, description=ForEach.__doc__)
    convert: Convert | None = Field(default=None, description=Convert.__doc__)
    read: Read | None = Field(default=None, description=Read.__doc__)
    configure: Configure | None = Field(default=None, description=Configure.__doc__)
    check: CheckBody | None = Field(default=None, description=CheckBody.__doc__)
    plug_in: PlugInStep | None = Field(default=None, description=PlugInStep.__doc__)
    transact: Transact | None = Field(default=None, description=Transact.__doc__)
    wait: Wait | None = Field(default=None, description=Wait.__doc__)
    prompt: Prompt | None = Field(default=None, description=Prompt.__doc__)
    switch: Switch | None = Field(default=None, description=Switch.__doc__)
    adjust: Adjust | None = Field(default=None, description=Adjust.__doc__)
    meter: Meter | None = Field(default=None, description=Meter.__doc__)
    condition: SkipJsonSchema[VariedCondition | None] = None
    vary: Vary | None = Field(default=None, description=Vary.__doc__)
    repeat: Repeat | None = Field(default=None, description=Repeat.__doc__)
    stress: Stress | None = Field(default=None, description=Stress.__doc__)
    measure: Measure | None = Field(default=None, description=Measure.__doc__)
    shmoo: Shmoo | None = Field(default=None, description=Shmoo.__doc__)
    soak: Soak | None = Field(default=None, description=Soak.__doc__)
    diagnose: Diagnose | None = Field(default=None, description=Diagnose.__doc__)

    _expanded: tuple[StepItem, ...] = PrivateAttr(default=())
    _id: str = PrivateAttr(default="")
    _line: int = PrivateAttr(default=0)
    _column: int = PrivateAttr(default=0)

    @model_validator(mode="before")
    @classmethod
    def _one_kind(cls, data: object) -> object:
        if isinstance(data, str):
            raise complaint(f"step {data!r} without a colon", expected=f"`- {data}:`")
        if not isinstance(data, dict):
            return data
        if len(data) != 1:
            raise complaint(_wrong_number_of_keys(list(data)), expected=_one_key(data))
        return {
            _written(kind, body): {} if body is None else body
            for kind, body in data.items()
        }

    @property
    def kind(self) -> str:
        """The step's kind, such as ``reset``."""
        return next(iter(self.model_fields_set))

    @property
    def body(self) -> StepBody:
        """The body, a model of that kind."""
        body: StepBody = getattr(self, self.kind)
        return body

    @property
    def steps(self) -> tuple[StepItem, ...]:
        """The steps inside; empty for a leaf."""
        body = self.body
        if isinstance(body, Vary):
            return self._expanded or body.steps
        return body.steps if isinstance(body, ForEach | Repeat) else ()

    def leaves(self) -> Iterator[StepItem]:
        """The steps inside that have none inside themselves, in the order of the file."""
        for inner in self.steps:
            if inner.steps:
                yield from inner.leaves()
            else:
                yield inner

    def conditions(self) -> list[tuple[StepItem, ...]]:
        """The steps of a vary step by condition, the one that sets it first."""
        body = self.body
        assert isinstance(body, Vary)
        size = len(self._expanded) // len(body.conditions())
        return [
            self._expanded[at : at + size] for at in range(0, len(self._expanded), size)
        ]

    def expand(self) -> None:
        """Make the steps of each condition of a vary step; only loading calls this."""
        body = self.body
        assert isinstance(body, Vary)
        self._expanded = tuple(
            item
            for number, settings in enumerate(body.conditions(), 1)
            for item in _under(self, body, settings, f"{self._id}.{number}")
        )

    @property
    def id(self) -> str:
        """Stable number such as ``3.1``."""
        return self._id

    @property
    def line(self) -> int:
        """Line of the plan file, from 1; 0 if not loaded from text."""
        return self._line

    @property
    def column(self) -> int:
        """Column of the plan file, from 1."""
        return self._column

    def put(self, *, step_id: str, line: int, column: int) -> None:
        """Note number and place; only loading calls this."""
        self._id = step_id
        self._line = line
        self._column = column


def _under(
    outer: StepItem, body: Vary, settings: Settings, step_id: str
) -> Iterator[StepItem]:
    """The steps of one condition: set it, then those inside with it in their titles."""
    text = condition_text(settings)
    setting = StepItem(
        condition=VariedCondition(
            name=f"set {text}",
            settings=settings,
            hint=body.hint,
            retries=body.retries,
            outside_range=body.outside_range,
        )
    )
    setting.put(step_id=f"{step_id}.0", line=outer.line, column=outer.column)
    yield setting
    for number, item in enumerate(body.steps, 1):
        yield _copied(item, text, f"{step_id}.{number}")


def _copied(item: StepItem, text: str, step_id: str) -> StepItem:
    body = item.body
    changes: dict[str, object] = {"name": f"{title_of(item.kind, body)} at {text}"}
    if isinstance(body, ForEach | Repeat):
        changes["steps"] = tuple(
            _copied(inner, text, f"{step_id}.{number}")
            for number, inner in enumerate(body.steps, 1)
        )
    copy = item.model_copy(update={item.kind: body.model_copy(update=changes)})
    copy.put(step_id=step_id, line=item.line, column=item.column)
    return copy


def _written(kind: str, body: object) -> str:
    """The kind as a file has it; what only a vary step makes is none of a file's."""
    if kind == _MADE and not isinstance(body, VariedCondition):
        raise complaint(
            "a condition step, which only vary makes",
            expected="vary for every combination, or adjust for one instrument",
        )
    return kind


def _wrong_number_of_keys(keys: list[str]) -> str:
    if not keys:
        return "an empty step"
    number = "two" if len(keys) == 2 else str(len(keys))
    return f"a step has one key, got {number}: {', '.join(map(str, keys))}"


def _one_key(data: dict[str, object]) -> str:
    for outer in ("for_each", "repeat", "vary"):
        if outer in data and "steps" in data:
            return f"steps indented to stand inside {outer}"
    return "one step kind with its keys indented below it"


Steps = Annotated[
    tuple[StepItem, ...], Field(min_length=1, max_length=1000, strict=False)
]

_MADE = "condition"
"""The kind that sets one condition of a vary step; no file may have it."""

STEP_KINDS: tuple[str, ...] = tuple(k for k in StepItem.model_fields if k != _MADE)
"""All step kinds that a plan may have, in the order of the reference."""

ForEach.model_rebuild()
Repeat.model_rebuild()
Vary.model_rebuild()
StepItem.model_rebuild()
