"""JSON of the commands that leave a run's reports."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from harness.results.summary.record import Summary


class CommandAnswer(BaseModel):
    """What every JSON answer has."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, ser_json_inf_nan="null", defer_build=True
    )

    format: Literal[1] = Field(
        default=1,
        description="version of this format; a change that breaks readers adds 1",
    )
    command: str = Field(description="the command that answers")
    exit_code: int = Field(description="exit code of the command")


class RunAnswer(CommandAnswer):
    """`slotproof run --json` and `report --json`: the summary of one run."""

    results: str = Field(
        description="folder with junit.xml, report.html, journal.jsonl"
    )
    summary: Summary = Field(description="verdict, devices, failures")


class FoundCause(BaseModel):
    """One cause of a diagnosis."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    title: str = Field(description="the cause in words, and the device")
    key: str = Field(
        description="the cause for machines: where it sits, then its sub-word"
    )
    severity: str = Field(description="fault, warning or note")
    confidence: str = Field(description="certain, likely or undecided")
    verdict: str = Field(
        description="failed or error for a fault, skipped for a remark"
    )
    says: str = Field(description="one sentence")
    points: tuple[tuple[str, str], ...] = Field(
        description="label and text: confidence, why not others, what it could be besides, numbers"
    )
    look_first: str = Field(description="one thing to do")


class DiagnoseAnswer(RunAnswer):
    """`slotproof diagnose --json`: the run, its findings in their rank."""

    findings: tuple[FoundCause, ...] = Field(description="in their rank")
    ruled_out: tuple[str, ...] = Field(description="causes that the numbers exclude")


class TimingValue(BaseModel):
    """One measured time."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    device: str = Field(description="socket and ROM code; `line` is the bus")
    quantity: str = Field(description="name of the quantity")
    value: float = Field(description="as measured; of a bound, the bound")
    bound: str = Field(description="`at most` or `at least`; empty if value is it")
    uncertainty: float | None = Field(description="half width, in the unit")
    unit: str = Field(description="unit")
    low: float | None = Field(description="lower limit, in the unit")
    high: float | None = Field(description="upper limit, in the unit")
    margin: float | None = Field(description="to the nearer judged limit, in the unit")
    margin_percent: float | None = Field(
        description="margin in percent of half the window, or of the only limit"
    )


class BudgetValue(BaseModel):
    """One row of the electrical budget."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    group: str = Field(description="what the row belongs to")
    name: str = Field(description="name of the quantity")
    value: float | None = Field(description="computed; null if there is no such number")
    half_width: float | None = Field(description="doubt, in the unit")
    unit: str = Field(description="unit")
    low: float | None = Field(description="lower limit, in the unit")
    high: float | None = Field(description="upper limit, in the unit")
    verdict: str = Field(description="holds, tight, broken, caution or stated")
    formula: str = Field(description="how it is computed")
    source: str = Field(description="where formula and limits are from")


class SurveyAnswer(RunAnswer):
    """`slotproof survey --json`: the run, each measured time, the verdict on the bus."""

    times: tuple[TimingValue, ...] = Field(description="smallest margin first")
    bus_verdict: tuple[str, ...] = Field(description="the verdict and its reasons")


class BudgetAnswer(CommandAnswer):
    """`slotproof budget --json`: what the line of a fixture can bear, computed."""

    rows: tuple[BudgetValue, ...] = Field(description="each row, group by group")
    bus_verdict: tuple[str, ...] = Field(
        description="the verdict, its reasons, remedies"
    )


class ErrorAnswer(CommandAnswer):
    """What any command answers with ``--json`` if it cannot do what was asked."""

    errors: tuple[str, ...] = Field(
        description="what is wrong, where, and what to do; one mistake each"
    )
