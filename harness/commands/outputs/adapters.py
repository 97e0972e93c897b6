"""JSON of the commands that examine an adapter and enrol a bus."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from harness.commands.outputs.runs import CommandAnswer


class RateMade(BaseModel):
    """One rate that an adapter made."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    asked_baud: int = Field(description="what was asked for")
    baud: float = Field(description="what was measured against the host's clock")
    doubt_share: float = Field(description="expanded uncertainty as a share of it")


class EnrolledDevice(BaseModel):
    """One device that was tied to a socket."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    socket: str = Field(description="name of the socket")
    rom_code: str = Field(description="16 hex digits, CRC first")
    family: str = Field(description="family code, two hex digits")
    name: str = Field(description="what devices of the family are")


class EnrolAnswer(CommandAnswer):
    """`slotproof enrol --json`: devices that were tied to sockets."""

    fixture: str = Field(description="the file")
    written: bool = Field(description="false if it was left as it was")
    devices: tuple[EnrolledDevice, ...] = Field(description="newly tied, in order")
    tied_before: int = Field(description="devices that the file named already")


class AdapterAnswer(CommandAnswer):
    """`slotproof adapter --json`: what an adapter is and can do."""

    device_answers: bool = Field(
        description="true if a device answered the reset: little was sent then"
    )
    latency: str = Field(description="what became of the wish for low latency")
    round_trip_median_ms: float = Field(description="of one character")
    round_trip_p95_ms: float = Field(description="95 % are within")
    round_trip_longest_ms: float = Field(description="the longest")
    values_echoed: int | None = Field(
        description="values of a character that came back as sent, of 256"
    )
    packet_characters: int | None = Field(
        description="characters that arrive together most often"
    )
    longest_burst: int | None = Field(description="longest burst that came back whole")
    rates: tuple[RateMade, ...] = Field(description="rates made")
    refused_baud: tuple[int, ...] = Field(description="rates not made")
    remarks: tuple[str, ...] = Field(description="what follows from it")
    makes: tuple[str, ...] = Field(description="slots, overdrive, steps of rates")
    fixture: tuple[str, ...] = Field(description="lines for the fixture")
