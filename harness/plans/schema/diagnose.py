"""What a diagnose step may hold: how much an examination takes upon itself."""

from __future__ import annotations

from pydantic import Field

from harness.plans.schema.bodies import StepBody


class Diagnose(StepBody):
    """An examination of adapter, line and devices that names causes."""

    listen_s: float = Field(
        default=15.0,
        ge=0,
        le=3600,
        description="seconds to listen on the idle line for characters that were not asked for",
    )
    resets: int = Field(
        default=20, ge=3, le=10_000, description="resets at each of three rates"
    )
    slots: int = Field(
        default=4000, ge=100, le=1_000_000, description="slots for echo statistics"
    )
    scans: int = Field(
        default=5, ge=1, le=1000, description="searches of the whole bus"
    )
    verifies: int = Field(
        default=30, ge=1, le=10_000, description="directed searches of each device"
    )
    reads: int = Field(
        default=20, ge=1, le=10_000, description="repeated reads of each block"
    )
    rounds: int = Field(
        default=4,
        ge=1,
        le=1000,
        description="conversions of all thermometers together; more for what is rare",
    )
    alone: int = Field(
        default=2,
        ge=1,
        le=1000,
        description="conversions of each thermometer by itself; more for what is rare",
    )
    means: int = Field(
        default=32,
        ge=2,
        le=1000,
        description="most readings of a current, whose mean shows an offset",
    )
