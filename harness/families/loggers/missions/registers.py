"""Registers of loggers that run missions, as rows, and what they say of a mission."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, ClassVar, TypeVar

from harness.errors import AnswerImpossible
from harness.families.common.register_map import TRUTH, Field
from harness.families.common.timekeeping import calendar_of
from harness.families.family import Session
from harness.families.kind_facts import KindFacts, stated

REGISTERS_AT = 0x0200
"""Address of the first byte of the block, which is the clock's second."""


def mission_rows(
    *more: Field,
    oscillator: Field,
    status: int,
    mission: int,
    cleared: int,
    samples: int,
) -> dict[str, Field]:
    """Rows of a logger by name: what every logger has, at this kind's places.

    Args:
        more: rows that only this kind has.
        oscillator: whose polarity and place differ from kind to kind.
        status: offset of the status byte.
        mission: bit in it of a mission in progress.
        cleared: bit in it of a memory that is cleared.
        samples: offset of the two sample counters.
    """
    rows = (
        *more,
        oscillator,
        Field(name="status", offset=status),
        Field(
            name="mission", about="running or none, by the mission flag",
            offset=status, shift=mission, bits=1, codes={0: "none", 1: "running"},
        ),
        Field(
            name="memory_cleared", about="true from a clear to the start of the next mission",
            offset=status, shift=cleared, bits=1, codes=TRUTH,
        ),
        Field(
            name="mission_samples", about="taken in the last mission",
            offset=samples, count=3, unit="samples",
        ),
        Field(
            name="lifetime_samples", about="taken in a lifetime; no command resets it",
            offset=samples + 3, count=3, unit="samples",
        ),
    )  # fmt: skip
    return {row.name: row for row in rows}


@dataclass(frozen=True, slots=True, kw_only=True)
class MissionRegisters(ABC):
    """The register pages of a logger from 0200h on, as one proved block.

    A kind of logger names its rows and whether its clock counts weekdays.
    """

    block: bytes

    ROWS: ClassVar[dict[str, Field]]
    WEEKDAY: ClassVar[bool]

    def number(self, name: str) -> int:
        """A row's raw value."""
        return self.ROWS[name].raw(self.block)

    @property
    def clock(self) -> datetime:
        """Date and time."""
        size = 7 if self.WEEKDAY else 6
        return calendar_of(self.block[:size], weekday=self.WEEKDAY)

    @property
    @abstractmethod
    def begun(self) -> datetime | None:
        """When the last mission began, by the device's clock; None for never."""

    @property
    @abstractmethod
    def period_s(self) -> float:
        """From sample to sample."""

    @property
    @abstractmethod
    def wait_s(self) -> float:
        """From the start of a mission to its first sample, at the longest."""

    @property
    def started(self) -> str:
        """As ``begun`` in words, or ``never``."""
        return self.begun.isoformat() if self.begun else "never"

    @property
    def runs(self) -> bool:
        """True if the oscillator is on."""
        return self.ROWS["oscillator"].decode(self.block) == "on"

    @property
    def status(self) -> int:
        """Status byte."""
        return self.number("status")

    @property
    def mission(self) -> bool:
        """True if a mission is in progress."""
        return bool(self.number("mission"))

    @property
    def cleared(self) -> bool:
        """True if memory is cleared and no mission has begun since."""
        return bool(self.number("memory_cleared"))

    @property
    def samples(self) -> int:
        """Samples of the last mission, or of the one in progress."""
        return self.number("mission_samples")

    @property
    def lifetime(self) -> int:
        """Samples of a lifetime; no command resets it."""
        return self.number("lifetime_samples")

    def oscillator_facts(self) -> dict[str, Any]:
        """The byte that switches the oscillator, and what its bit means."""
        return stated(self._oscillator_facts())

    def mission_facts(self) -> dict[str, Any]:
        """What shows why a mission takes no samples, as plain facts."""
        passed_s = due = None
        if self.begun is not None:
            passed_s = (self.clock - self.begun).total_seconds()
            if self.period_s > 0:
                due = max(0, int((passed_s - self.wait_s) // self.period_s))
        return stated(
            replace(
                self._oscillator_facts(),
                oscillator="on" if self.runs else "off",
                mission=self.mission,
                cleared=self.cleared,
                samples=self.samples,
                period_s=self.period_s,
                since_start_s=passed_s,
                samples_due=due,
            )
        )

    def _oscillator_facts(self) -> KindFacts:
        row = self.ROWS["oscillator"]
        runs_at = next(code for code, word in row.codes.items() if word == "on")
        address = REGISTERS_AT + row.offset
        return KindFacts(
            byte=f"{self.block[row.offset]:02X}",
            place=f"bit {row.shift} of {address:04X}h, {runs_at} runs",
        )


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
