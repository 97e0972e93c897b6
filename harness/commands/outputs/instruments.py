"""JSON of the command that shows the instruments of a fixture."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from harness.commands.outputs.runs import CommandAnswer


class ShownSetting(BaseModel):
    """One setting of an instrument."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(description="as a fixture names it, with its unit")
    value: str = Field(description="what the instrument answers")
    low: float | None = Field(description="lower limit of the fixture")
    high: float | None = Field(description="upper limit of the fixture")


class ShownInstrument(BaseModel):
    """One instrument; with ``--rest`` only whether it is at rest."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(description="its name in the fixture")
    kind: str = Field(description="such as supply, meter or chamber")
    resource: str = Field(description="VISA resource")
    identity: str = Field(default="", description="what it answers to *IDN?")
    settings: tuple[ShownSetting, ...] = Field(
        default=(), description="settings that can be asked for"
    )
    tripped: tuple[str, ...] = Field(
        default=(), description="queries of protections that have tripped"
    )
    errors: tuple[str, ...] = Field(default=(), description="its error queue")
    may_be_on_since: str = Field(
        default="",
        description="when a run that did not bring it to rest began; else empty",
    )
    at_rest: bool | None = Field(
        default=None, description="of `--rest`: true if it is at rest; else null"
    )
    fault: str = Field(default="", description="why it cannot be told; else empty")


class InstrumentsAnswer(CommandAnswer):
    """`slotproof instruments --json`: the instruments of a fixture."""

    simulated: bool = Field(description="true if the instruments are simulated")
    instruments: tuple[ShownInstrument, ...] = Field(
        description="in the order of the fixture"
    )
