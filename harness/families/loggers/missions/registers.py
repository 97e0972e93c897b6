"""Missions of loggers: what registers of any kind say of them, and what that tells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeVar

from harness.errors import AnswerImpossible
from harness.families.family import Session


class MissionRegisters(Protocol):
    """What the register pages of any logger say."""

    @property
    def block(self) -> bytes:
        """The pages as read."""
        ...

    @property
    def clock(self) -> datetime:
        """Date and time."""
        ...

    @property
    def runs(self) -> bool:
        """True if the oscillator is on."""
        ...

    @property
    def mission(self) -> bool:
        """True if a mission is in progress."""
        ...

    @property
    def cleared(self) -> bool:
        """True if memory is cleared and no mission has begun since."""
        ...

    @property
    def begun(self) -> datetime | None:
        """When the last mission began, by the device's clock; None for never."""
        ...

    @property
    def wait_s(self) -> float:
        """From the start of a mission to its first sample, at the longest."""
        ...

    @property
    def period_s(self) -> float:
        """From sample to sample."""
        ...

    @property
    def samples(self) -> int:
        """Samples of the last mission, or of the one in progress."""
        ...

    @property
    def lifetime(self) -> int:
        """Samples of a lifetime."""
        ...

    @property
    def started(self) -> str:
        """As ``begun`` in words, or ``never``."""
        ...

    @property
    def status(self) -> int:
        """Status byte."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OscillatorBit:
    """Where the oscillator is switched; the polarity differs from kind to kind.

    Attributes:
        address: of its register.
        offset: the register's place in the block.
        bit: which bit.
        runs_at: its value while the oscillator runs.
    """

    address: int
    offset: int
    bit: int
    runs_at: int

    def facts(self, registers: MissionRegisters) -> dict[str, Any]:
        """The byte, and what its bit means."""
        return {
            "byte": f"{registers.block[self.offset]:02X}",
            "place": f"bit {self.bit} of {self.address:04X}h, {self.runs_at} runs",
        }


def mission_facts(registers: MissionRegisters, bit: OscillatorBit) -> dict[str, Any]:
    """What tells why a mission takes no samples (F26), as plain facts."""
    facts: dict[str, Any] = {
        "oscillator": "on" if registers.runs else "off",
        **bit.facts(registers),
        "mission": registers.mission,
        "cleared": registers.cleared,
        "samples": registers.samples,
        "period_s": registers.period_s,
    }
    if registers.begun is not None:
        passed_s = (registers.clock - registers.begun).total_seconds()
        facts["since_start_s"] = passed_s
        if registers.period_s > 0:
            due = (passed_s - registers.wait_s) // registers.period_s
            facts["samples_due"] = max(0, int(due))
    return facts


R = TypeVar("R", bound=MissionRegisters)


def end_mission(
    session: Session, read: Callable[[Session], R], end: Callable[[], object]
) -> R:
    """End a mission, if there is one; its log stays. The registers after it.

    Raises:
        AnswerImpossible: it goes on.
    """
    registers = read(session)
    if not registers.mission:
        return registers
    end()
    after = read(session)
    if after.mission:
        raise AnswerImpossible("the mission goes on although it was stopped")
    return after
