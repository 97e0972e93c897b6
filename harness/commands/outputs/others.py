"""JSON of the commands that look at files, kinds, adapters, lots, units, recordings."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from harness.commands.outputs.runs import CommandAnswer, RunAnswer


class _Part(BaseModel):
    """A part of an answer."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class RecordedQuantity(_Part):
    """One time or level of a recording over all its values."""

    name: str = Field(description="name of the quantity")
    side: str = Field(description="of host, device or line")
    unit: str = Field(description="unit")
    count: int = Field(description="number of values")
    minimum: float = Field(description="smallest value")
    median: float = Field(description="middle value")
    maximum: float = Field(description="largest value")
    doubt: float = Field(description="half width of what is known of each value")
    low: float | None = Field(description="lower limit")
    high: float | None = Field(description="upper limit")
    margin: float | None = Field(description="of the worst value; negative outside")
    verdict: str = Field(description="standing against the limits")


class TraceAnswer(RunAnswer):
    """`slotproof trace --json`: what a recording shows."""

    recording: str = Field(description="the file")
    channel: str = Field(description="the channel that was read")
    verdict: str = Field(description="verdict on the recording, in words")
    rom_codes: tuple[str, ...] = Field(description="ROM codes seen")
    quantities: tuple[RecordedQuantity, ...] = Field(description="times and levels")
    findings: tuple[str, ...] = Field(description="what is outside, wrong or open")


class CheckedFile(_Part):
    """One file that is in order."""

    file: str = Field(description="path as given")
    kind: str = Field(description="plan, fixture or kind")
    title: str = Field(description="what the file calls itself")
    hazards: tuple[str, ...] = Field(description="hazards that must be allowed")


class CheckAnswer(CommandAnswer):
    """`slotproof check --json`: files in order, mistakes, and what a run would meet."""

    files: tuple[CheckedFile, ...] = Field(description="files without a mistake")
    mistakes: tuple[str, ...] = Field(description="file:line:column and what is wrong")
    remarks: tuple[str, ...] = Field(
        description="what a soak proves, what the adapter cannot make, and the like"
    )


class NamedThing(_Part):
    """A quantity, setting or check of a kind of device."""

    name: str = Field(description="as a plan writes it")
    unit: str = Field(description="unit; empty if there is none")
    about: str = Field(description="what it is")
    hazards: tuple[str, ...] = Field(description="hazards that must be allowed")


class ListedKind(_Part):
    """One kind of device."""

    code: str = Field(description="family code, two hex digits")
    device_class: str = Field(description="class, such as thermometer")
    name: str = Field(description="what it is")
    typical_parts: str = Field(description="parts of this kind")
    recognised_only: bool = Field(description="true if there is no driver")
    destructive: str = Field(description="what cannot be undone; may be empty")
    ratings: str = Field(
        description="supply, temperature and absolute maximum, with their source"
    )
    quantities: tuple[NamedThing, ...] = Field(description="what can be read")
    settings: tuple[NamedThing, ...] = Field(description="what can be configured")
    checks: tuple[NamedThing, ...] = Field(description="what can be checked")


class FamiliesAnswer(CommandAnswer):
    """`slotproof families --json`: the kinds of device."""

    kinds: tuple[ListedKind, ...] = Field(description="by code")
    plug_ins: dict[str, str] = Field(
        default_factory=dict,
        description="installed plug-ins by name: package and what it brings; not loaded",
    )


class AdapterFound(_Part):
    """One adapter of this machine."""

    device: str = Field(description="its name now")
    port: str = Field(description="stable name, for a fixture")
    kind: str = Field(
        description="clock grid; `unknown` if its USB numbers say nothing"
    )
    about: str = Field(description="what the adapter says of itself")


class PortsAnswer(CommandAnswer):
    """`slotproof ports --json`: adapters of this machine."""

    adapters: tuple[AdapterFound, ...] = Field(description="in order of their names")


class LotAnswer(CommandAnswer):
    """`slotproof lot ... --json`: one question on lots, and its answer."""

    question: str = Field(description="what was asked")
    answer: str = Field(description="the answer in few words")
    verdict: str = Field(description="passed for yes, failed for no, skipped for open")
    reason: str = Field(description="the answer with its reasons")
    notes: tuple[str, ...] = Field(description="what the verdict leaves out")
    tables: tuple[tuple[tuple[str, ...], ...], ...] = Field(
        description="tables; the first row of each names the columns"
    )
    sentences: tuple[str, ...] = Field(description="sentences between the tables")
    facts: dict[str, str] = Field(description="what it was worked out from")
    results: str = Field(description="folder with page, table and pictures")


class UnitValue(_Part):
    """One measured value of a unit's test."""

    step: str = Field(description="number and title of the step")
    rom_code: str = Field(description="device; empty for the bus")
    quantity: str = Field(description="name of the quantity")
    value: float | None = Field(description="number; null for a text or a bound")
    text: str = Field(description="as printed")
    unit: str = Field(description="unit; empty if there is none")
    low: float | None = Field(description="lower limit")
    high: float | None = Field(description="upper limit")
    verdict: str = Field(description="of the check that it belongs to")
    condition: str = Field(
        default="", description="what a vary step had set, such as 0 degC, 3.3 V"
    )


class UnitRecord(_Part):
    """One test of one unit."""

    serial: str = Field(description="serial number; may be empty")
    rom_codes: tuple[str, ...] = Field(description="devices found")
    lot: str = Field(description="name of the lot; may be empty")
    station: str = Field(description="name of the station")
    position: str = Field(description="test position of the station")
    verdict: str = Field(description="passed, failed or error")
    simulated: bool = Field(description="true if it was a rehearsal")
    started_at: str = Field(description="calendar, UTC, ISO 8601")
    duration_s: float = Field(description="seconds")
    reason: str = Field(description="why it did not pass; empty if it did")
    look_first: str = Field(description="what to look at first")
    plan: str = Field(description="title of the plan")
    fixture: str = Field(description="title of the fixture")
    run_id: str = Field(description="name of the run")
    journal: str = Field(description="where its journal lay when it was booked")
    values: tuple[UnitValue, ...] = Field(description="values; only of `units show`")


class UnitNumber(_Part):
    """A number of a range that a unit was given."""

    serial: str = Field(description="serial number of the unit")
    range_name: str = Field(
        description="name of the range; begins rehearsal: if rehearsed"
    )
    number: int = Field(description="the number")
    station: str = Field(description="name of the station")
    at: str = Field(description="calendar, UTC, ISO 8601")


class SharedRomCode(_Part):
    """A ROM code that was found in two units."""

    rom_code: str = Field(description="16 hex digits, CRC first")
    serial: str = Field(description="the unit that has it now")
    first_seen_in: str = Field(description="the unit that was seen with it first")
    since: str = Field(description="calendar, UTC, ISO 8601")


class UnitsAnswer(CommandAnswer):
    """`slotproof units ... --json`: tests of units, shared ROM codes, what was done."""

    ledger: str = Field(description="the ledger that was asked")
    tests: tuple[UnitRecord, ...] = Field(default=(), description="in order of time")
    shared_rom_codes: tuple[SharedRomCode, ...] = Field(
        default=(), description="ROM codes found in more than one unit"
    )
    numbers: tuple[UnitNumber, ...] = Field(
        default=(), description="numbers of ranges; only of `units show`"
    )
    done: str = Field(default="", description="what was entered or changed")
