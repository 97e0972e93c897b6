"""Faults of the adapter, its wiring and the host's way to it."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from pydantic import Field, model_validator

from harness.simulation.faults.base import TimedFault


class AdapterNoEcho(TimedFault):
    """The receive line is open."""

    kind: Literal["adapter-no-echo"]


class AdapterDropsBytes(TimedFault):
    """The receive buffer overruns."""

    kind: Literal["adapter-drops-bytes"]
    probability: float = Field(gt=0, le=1, description="chance a received character")


class UnpluggedFault(TimedFault):
    """The adapter is pulled out, and put back after ``for_s``."""

    kind: Literal["adapter-unplugged"]
    back_as: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9_.-]{1,40}$",
        description="port name after it is put back; the same unless given",
    )


class LatencyJitter(TimedFault):
    """Packets towards the host come late."""

    kind: Literal["latency-jitter"]
    extra_ms: float = Field(default=30, gt=0, le=10_000, description="at most")
    probability: float = Field(default=0.01, gt=0, le=1, description="chance a packet")


class ReceiverInverted(TimedFault):
    """The receive line is inverted: an idle line reads as break."""

    kind: Literal["receiver-inverted"]


class PushPullOutput(TimedFault):
    """The transmit output drives its highs too, against the devices."""

    kind: Literal["push-pull-output"]
    high_ohm: float = Field(default=50, gt=0, le=1e5, description="of its highs")


class DoubledEcho(TimedFault):
    """The terminal's echo is on: what comes in goes out again."""

    kind: Literal["doubled-echo"]
    after_ms: float = Field(default=2.0, gt=0, le=1000, description="later")


class Habit(StrEnum):
    """What a terminal layer does to characters on their way to the host."""

    DOUBLE_FF = "double-ff"
    CR_TO_LF = "cr-to-lf"
    SWALLOW_FLOW_CONTROL = "swallow-flow-control"


class TerminalLayer(TimedFault):
    """A terminal layer takes the echoes for text."""

    kind: Literal["terminal-layer"]
    habit: Habit = Field(default=Habit.DOUBLE_FF, description="what it does")


class HostGaps(TimedFault):
    """The host is late with the next packet: the transmitter pauses.

    An opportunity is each packet of ``packet_bytes`` towards the line.
    """

    kind: Literal["host-gaps"]
    gap_ms: float = Field(default=30, gt=0, le=10_000, description="length")
    probability: float = Field(default=0.01, gt=0, le=1, description="chance a packet")


class WrongBaud(TimedFault):
    """The chip makes another rate than it was asked for; its receiver follows."""

    kind: Literal["wrong-baud"]
    error_percent: float = Field(
        default=0.0, ge=-50, le=50, description="of every rate"
    )
    above_baud: float | None = Field(
        default=None, gt=0, le=1e7, description="requests above this fail"
    )
    made_baud: float = Field(
        default=9600, gt=0, le=1e7, description="rate that failed requests give"
    )

    @model_validator(mode="after")
    def _is_wrong(self) -> WrongBaud:
        if not self.error_percent and self.above_baud is None:
            raise ValueError("give error_percent or above_baud")
        return self


class BufferOverrun(TimedFault):
    """The host fetches nothing for a time, and the chip's buffer runs over."""

    kind: Literal["buffer-overrun"]
    buffer_bytes: int = Field(
        default=128, ge=1, le=65_536, description="what the buffer holds"
    )
    stall_ms: float = Field(
        default=12.3, gt=0, le=10_000, description="nothing is fetched for so long"
    )
    mean_gap_ms: float = Field(
        default=25, gt=0, le=1e6, description="mean time between two stalls"
    )


class PowerBlink(TimedFault):
    """A handshake line feeds the bus and toggles when the port is opened."""

    kind: Literal["power-blink"]
    blink_ms: float = Field(default=40, gt=0, le=10_000, description="supply gap")


AdapterFault = (
    AdapterNoEcho
    | AdapterDropsBytes
    | UnpluggedFault
    | LatencyJitter
    | ReceiverInverted
    | PushPullOutput
    | DoubledEcho
    | TerminalLayer
    | HostGaps
    | WrongBaud
    | BufferOverrun
    | PowerBlink
)
"""Any fault of the adapter."""
