"""JSON of a shift: of the station that ends it, and of its page made again."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from harness.commands.outputs.runs import CommandAnswer


class FailedUnit(BaseModel):
    """A unit whose last judged test failed."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    unit: str = Field(description="serial number, or without one its ROM codes")
    position: str = Field(description="test position of the station")
    step: str = Field(description="number and title of the step that failed")
    reason: str = Field(description="why, in one sentence")
    look_first: str = Field(description="what to look at first")


class ShiftAnswer(CommandAnswer):
    """`slotproof station --json`, and `report --json` of a shift's folder."""

    results: str = Field(description="folder of the shift; shift.html lies in it")
    simulated: bool = Field(description="true if a unit was a rehearsal")
    units: int = Field(description="different units that came to a verdict")
    passed: int = Field(description="units whose last verdict is passed")
    failed: int = Field(description="units whose last verdict is failed")
    first_passed: int = Field(description="units that passed their first judged test")
    tests: int = Field(description="all tests, retests included")
    errors: int = Field(description="tests without a verdict about the unit")
    units_per_hour: float | None = Field(
        description="null of fewer than ten units and of a rehearsal"
    )
    failed_units: tuple[FailedUnit, ...] = Field(description="in order of their tests")
    remarks: tuple[str, ...] = Field(
        description="what did not end as it should, such as units not yet booked"
    )
