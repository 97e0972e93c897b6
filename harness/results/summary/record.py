"""What a reader asks first of a run, as plain data; also the JSON of ``run --json``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

Text = str
Number = float | int


def is_counted(name: str, unit: str) -> bool:
    """True if the unit is what the name says is counted: ``lost_readings``, readings."""
    return unit in name.split("_")


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryValue:
    """One measured value with its limits."""

    quantity: Annotated[str, Field(description="name of the quantity")]
    value: Annotated[
        float | int | str | bool | None,
        Field(description="as measured; null where it was no finite number"),
    ]
    text: Annotated[str, Field(description="as printed, with uncertainty or bound")]
    unit: Annotated[str, Field(description="unit; empty if there is none")]
    limits: Annotated[
        str, Field(description="limits or what else it was judged by, in words")
    ]
    low: Annotated[float | None, Field(description="lower limit, in the unit")]
    high: Annotated[float | None, Field(description="upper limit, in the unit")]
    verdict: Annotated[str, Field(description="ok, outside, not judged, ...")]
    condition: Annotated[
        str, Field(description="what a vary step had set; may be empty")
    ] = ""

    @property
    def shown(self) -> str:
        """Value and unit; of a count no unit that its name says already."""
        unit = "" if is_counted(self.quantity, self.unit) else self.unit
        return f"{self.text} {unit}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryDevice:
    """One device and the worst of its verdicts."""

    socket: Annotated[str, Field(description="position in the fixture; may be empty")]
    rom_code: Annotated[str, Field(description="16 hex digits, CRC first")]
    family: Annotated[str, Field(description="family code, such as 28h")]
    verdict: Annotated[str, Field(description="passed, failed, error or skipped")]
    checks: Annotated[int, Field(description="how many checks were made on it")]
    values: Annotated[
        tuple[SummaryValue, ...],
        Field(description="key values: judged ones, the closest to a limit first"),
    ]
    no_value: Annotated[
        str,
        Field(description="why a step under a condition failed without a value"),
    ] = ""
    no_value_condition: Annotated[
        str, Field(description="the condition of that step; empty without one")
    ] = ""

    @property
    def label(self) -> str:
        """Socket and ROM code."""
        return f"{self.socket} {self.rom_code}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryFailure:
    """One check that failed or could not tell."""

    verdict: Annotated[str, Field(description="failed or error")]
    culprit: Annotated[
        str, Field(description="device, or the cause that was found; may be empty")
    ]
    device: Annotated[str, Field(description="socket and ROM code; empty: the bus")]
    step: Annotated[str, Field(description="number of the step in the plan")]
    title: Annotated[str, Field(description="title of the step")]
    kind: Annotated[str, Field(description="short fixed word for the reason")]
    message: Annotated[str, Field(description="what happened, with numbers")]
    look_first: Annotated[str, Field(description="what to look at first")]
    values: Annotated[
        tuple[SummaryValue, ...], Field(description="values outside their limits")
    ]
    conditions: Annotated[
        tuple[str, ...],
        Field(description="what a vary step had set where it failed, in order"),
    ] = ()
    condition: Annotated[
        str, Field(description="the one of them where it is worst; may be empty")
    ] = ""

    @property
    def elsewhere(self) -> str:
        """The conditions besides the worst; empty without any."""
        return "; ".join(c for c in self.conditions if c != self.condition)

    @property
    def where(self) -> str:
        """Device and step; of an error of no step the run."""
        if not self.step:
            return self.device or "run"
        return f"{self.device or 'bus'}, {self.step} {self.title}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A run: its verdict, its devices, and what failed."""

    verdict: Annotated[str, Field(description="passed, failed, error or skipped")]
    exit_code: Annotated[int, Field(description="exit code of the command")]
    simulated: Annotated[
        bool, Field(description="true if the bench was simulated: no real device")
    ]
    plan: Annotated[str, Field(description="title of the plan")]
    fixture: Annotated[str, Field(description="title of the fixture")]
    started_at: Annotated[str, Field(description="calendar, UTC, ISO 8601")]
    duration_s: Annotated[float, Field(description="seconds on the port's clock")]
    counts: Annotated[
        dict[str, int], Field(description="number of checks by their verdict")
    ]
    retried: Annotated[int, Field(description="checks that passed after a retry")]
    bus_checks: Annotated[
        int, Field(description="checks of the bus as a whole, among the counts")
    ]
    not_reached: Annotated[
        int, Field(description="steps that the run did not come to, among the counts")
    ]
    devices: Annotated[
        tuple[SummaryDevice, ...], Field(description="each device, in order")
    ]
    failures: Annotated[
        tuple[SummaryFailure, ...], Field(description="what failed, in order")
    ]
    remarks: Annotated[
        tuple[str, ...],
        Field(description="what else a reader must know, such as lost lines"),
    ]

    worst_corner: Annotated[
        str,
        Field(description="worst device at its worst condition; empty without vary"),
    ] = ""

    limits_bus: Annotated[
        str,
        Field(description="measured time nearest to its limit; empty without any"),
    ] = ""

    @property
    def culprits(self) -> tuple[str, ...]:
        """Devices that caused the verdict, each once."""
        named = {f.culprit: None for f in self.failures if f.verdict == self.verdict}
        return tuple(culprit for culprit in named if culprit)
