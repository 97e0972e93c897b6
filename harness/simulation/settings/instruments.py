"""Instruments of a simulated bench, and what they are wired to."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.simulation.settings.base import StrictSettings


class _Named(StrictSettings):
    resource: str = Field(
        min_length=1, max_length=200, description="name that the fixture reaches it by"
    )
    identity: str = Field(
        default="INVENTED,SIMULATED,0,1",
        min_length=1,
        max_length=200,
        description="its answer to *IDN?",
    )


class SimulatedSupply(_Named):
    """A supply that feeds the line's pull-up and the devices' supply pins."""

    kind: Literal["supply"]
    series_ohm: float = Field(
        default=0.1, ge=0, le=1000, description="its leads, outside of its own sense"
    )
    voltage_error_v: float = Field(
        default=0.0, ge=-1, le=1, description="output less set-point"
    )


class SimulatedChamber(_Named):
    """A chamber in which all devices hang."""

    kind: Literal["chamber"]
    start_degc: float = Field(
        default=23.0,
        ge=-80,
        le=200,
        description="at power-up, and where the devices have their own temperatures",
    )
    time_constant_s: float = Field(
        default=60.0, gt=0, le=36_000, description="of the decay towards the set-point"
    )
    overshoot: float = Field(
        default=0.05, ge=0, lt=0.9, description="share of a step that it overshoots by"
    )


class SimulatedMultimeter(_Named):
    """A multimeter in the supply's lead: voltage and current of the supply node."""

    kind: Literal["multimeter"]


class SimulatedThermometer(_Named):
    """A reference thermometer in the chamber."""

    kind: Literal["thermometer"]
    error_k: float = Field(
        default=0.0, ge=-10, le=10, description="reading less true temperature"
    )


SimulatedInstrument = Annotated[
    SimulatedSupply | SimulatedChamber | SimulatedMultimeter | SimulatedThermometer,
    Field(discriminator="kind"),
]
