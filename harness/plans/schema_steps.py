"""What each step of a plan may hold.

A step is a mapping with one key, the kind; the models here are its bodies. A
`StepItem` has one field for each kind and exactly one of them is set, so a
mistake deep inside a body has the same key path as in the file.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, PrivateAttr, Tag, model_validator

from harness.plans.schema_base import (
    Families,
    Limited,
    Scalar,
    SocketNames,
    Strict,
    Text,
    Word,
    complaint,
)

_LONGEST_S = 90 * 86_400.0
_MOST_POINTS = 10_000


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


class Reset(StepBody):
    """Reset pulses, and whether a presence pulse answers."""

    times: int = Field(default=1, ge=1, le=100_000, description="number of resets")
    presence: Literal["required", "absent"] = Field(
        default="required", description="what must answer each reset"
    )


class Enumerate(StepBody):
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


class Verify(StepBody):
    """Known ROM codes answer, each found without a full search."""

    sockets: Literal["all"] | SocketNames = Field(
        default="all", description="all, or a list of socket names"
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


class Convert(StepBody):
    """One conversion of all thermometers together, for reads with fresh: false."""

    family: Families | None = Field(
        default=None, description="family code or codes whose conversion time counts"
    )
    power: Literal["auto", "external", "parasite"] = Field(
        default="auto",
        description="supply during the conversion; auto asks the devices",
    )


class Read(StepBody, Limited):
    """One quantity of a device, and its limits."""

    quantity: Word = Field(description="name of the quantity, such as temperature")
    wanted: Scalar | None = Field(
        default=None, description="value that must be met exactly, text or number"
    )
    unit: Word | None = Field(
        default=None, description="unit of the limits; must be the quantity's own"
    )
    fresh: bool = Field(
        default=True,
        description="measure anew; false takes what the last convert left",
    )
    average: int = Field(
        default=1, ge=1, le=100, description="number of readings to average"
    )

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


class Wait(StepBody):
    """Nothing for a while."""

    for_s: float = Field(gt=0, le=_LONGEST_S, description="how long")


class Prompt(StepBody):
    """A word to the operator, and the answer."""

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


class Repeat(StepBody):
    """Steps done several times over."""

    times: int = Field(ge=1, le=1_000_000, description="how often")
    steps: Steps = Field(description="the steps")


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


class Tolerate(Strict):
    """How many disturbances a soak forgives, over all devices."""

    retries: int | None = Field(
        default=None, ge=0, description="most retries; default is no limit"
    )
    lost_readings: int = Field(
        default=0, ge=0, description="most readings that failed in all tries"
    )
    check_values: int | None = Field(
        default=None, ge=0, description="most wrong check values; default is no limit"
    )


class Soak(StepBody, Limited):
    """Readings of all devices, round after round, for hours."""

    for_s: float | None = Field(
        default=None, gt=0, le=_LONGEST_S, description="length of the soak"
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
    quantity: Word = Field(default="temperature", description="what to read")
    tolerate: Tolerate = Field(
        default_factory=Tolerate, description="disturbances that do not fail the soak"
    )

    @model_validator(mode="after")
    def _has_an_end(self) -> Self:
        if self.for_s is None and self.cycles is None:
            raise complaint("a soak without an end", expected="for_s or cycles")
        return self


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
    wait: Wait | None = Field(default=None, description=Wait.__doc__)
    prompt: Prompt | None = Field(default=None, description=Prompt.__doc__)
    switch: Switch | None = Field(default=None, description=Switch.__doc__)
    repeat: Repeat | None = Field(default=None, description=Repeat.__doc__)
    stress: Stress | None = Field(default=None, description=Stress.__doc__)
    soak: Soak | None = Field(default=None, description=Soak.__doc__)

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
        return {kind: {} if body is None else body for kind, body in data.items()}

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
        return body.steps if isinstance(body, ForEach | Repeat) else ()

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


def _wrong_number_of_keys(keys: list[str]) -> str:
    if not keys:
        return "an empty step"
    number = "two" if len(keys) == 2 else str(len(keys))
    return f"a step has one key, got {number}: {', '.join(map(str, keys))}"


def _one_key(data: dict[str, object]) -> str:
    for outer in ("for_each", "repeat"):
        if outer in data and "steps" in data:
            return f"steps indented to stand inside {outer}"
    return "one step kind with its keys indented below it"


Steps = Annotated[
    tuple[StepItem, ...], Field(min_length=1, max_length=1000, strict=False)
]

STEP_KINDS: tuple[str, ...] = tuple(StepItem.model_fields)
"""All step kinds, in the order of the reference."""

ForEach.model_rebuild()
Repeat.model_rebuild()
StepItem.model_rebuild()
