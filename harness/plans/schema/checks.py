"""What a check step may hold, and a step of a plug-in: a function, options, hazards."""

from __future__ import annotations

from pydantic import Field

from harness.plans.schema.base import FamilyName, HazardNames, Scalar, Word
from harness.plans.schema.bodies import StepBody


class CheckBody(StepBody):
    """A function of the device's family: a memory test, a loop-back, a short mission."""

    function: FamilyName = Field(
        description="name of the function, as `slotproof families CODE` lists it"
    )
    with_: dict[str, Scalar] = Field(
        default_factory=dict, alias="with", description="name and value of each option"
    )
    hazard: HazardNames = Field(
        default=(),
        description="hazards of the function that the plan takes on; the command line "
        "must allow them too",
    )


class PlugInStep(StepBody):
    """A step of a plug-in, on all devices at once or on the one of a for_each."""

    step: Word = Field(description="name of the step, as the plug-in calls it")
    with_: dict[str, Scalar] = Field(
        default_factory=dict, alias="with", description="name and value of each option"
    )
    hazard: HazardNames = Field(
        default=(),
        description="hazards of the step that the plan takes on; the command line must "
        "allow them too",
    )
