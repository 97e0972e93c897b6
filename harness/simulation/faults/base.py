"""When a fault is on, and what kinds of victim it may have.

A fault is on from ``at_s`` (bench time, 0 = power-up) for ``for_s`` seconds (for
ever unless given), again and again every ``every_s`` seconds where that is given.
With ``when`` it strikes in the middle of traffic instead, from ``at_s`` on. Inside
these times ``probability`` is the chance that it strikes at one opportunity; what an
opportunity is (a character, a packet) each fault says.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from harness.simulation.settings.base import StrictSettings
from harness.simulation.settings.device import parse_family

CommandByte = Annotated[int, BeforeValidator(parse_family), Field(ge=0, le=0xFF)]


class Layer(StrEnum):
    """What a command byte was sent as."""

    ROM = "rom"
    FUNCTION = "function"
    ANY = "any"


class When(StrictSettings):
    """A moment in the traffic: a slot counted from a command, at standard speed."""

    command: CommandByte | None = Field(
        default=None, description="command byte that starts the count; none: a reset"
    )
    layer: Layer = Field(
        default=Layer.ANY, description="whether it must be a ROM or function command"
    )
    slot: int = Field(
        default=0,
        ge=0,
        le=100_000,
        description="slots counted from there; 0 is the last slot of the command",
    )
    wait_ms: float = Field(
        default=0.0, ge=0, le=1e6, description="from the start edge of that slot"
    )
    chance: float = Field(default=1.0, gt=0, le=1, description="of each opportunity")
    times: int | None = Field(
        default=None, ge=1, description="most strikes; without limit unless given"
    )


class TimedFault(StrictSettings):
    """When a fault is on."""

    at_s: float = Field(default=0.0, ge=0, description="first start, bench time")
    for_s: float | None = Field(
        default=None, gt=0, description="how long it lasts; for ever unless given"
    )
    every_s: float | None = Field(
        default=None, gt=0, description="comes again after this time"
    )

    when: When | None = Field(
        default=None, description="strikes at a moment in the traffic; from at_s on"
    )

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return ()

    @model_validator(mode="after")
    def _ends_before_it_repeats(self) -> TimedFault:
        if self.every_s is not None and (
            self.for_s is None or self.for_s >= self.every_s
        ):
            raise ValueError("every_s needs a for_s that is shorter than it")
        if self.every_s is not None and self.when is not None:
            raise ValueError("give either every_s or when, not both")
        return self


class DeviceFault(TimedFault):
    """A fault of one device, or of all where none is named."""

    device: str | None = Field(
        default=None, description="socket name or ROM code; all devices unless given"
    )

    @property
    def names(self) -> tuple[str, ...]:
        """Devices it names, by socket or ROM code."""
        return (self.device,) if self.device is not None else ()
