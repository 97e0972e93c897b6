"""What any logger can be asked: its clock and its mission, all by looking at registers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from typing import TypeVar

from harness.errors import ReadingImplausible
from harness.families.common.answers import shown
from harness.families.family import Answer, Quantity, Session
from harness.families.loggers.missions.registers import (
    MissionRegisters,
    OscillatorBit,
    mission_facts,
)
from harness.records import Scalar

R = TypeVar("R", bound=MissionRegisters)


def register_quantity(
    read: Callable[[Session], R],
    name: str,
    about: str,
    of: Callable[[R], Scalar],
    unit: str = "",
) -> Quantity:
    """Something that registers say, with all of them as evidence."""

    def answer(session: Session) -> Answer:
        registers = read(session)
        return Answer(
            value=of(registers), evidence={"registers": shown(registers.block, most=64)}
        )

    return Quantity(name=name, unit=unit, read=answer, about=about)


def clock_quantity(read: Callable[[Session], MissionRegisters]) -> Quantity:
    """The device's date and time."""
    return register_quantity(
        read, "clock", "the device's date and time", lambda r: r.clock.isoformat()
    )


def mission_quantities(
    read: Callable[[Session], MissionRegisters], bit: OscillatorBit
) -> tuple[Quantity, ...]:
    """Oscillator, clock against the host, mission, its samples; all only looked at."""

    def offset(session: Session) -> Answer:
        registers = read(session)
        if not registers.runs:
            raise ReadingImplausible(
                f"the oscillator is off: the clock stands at {registers.clock:%F %T}",
                hint="clock_set starts it",
                cause="configuration",
                facts=bit.facts(registers),
            )
        host = session.clock.calendar().astimezone(UTC)
        facts = mission_facts(registers, bit)
        return Answer(
            value=round((registers.clock - host).total_seconds(), 1),
            evidence={"shows": registers.clock.isoformat(), **facts},
        )

    return (
        Quantity(
            name="oscillator",
            unit="",
            read=lambda session: Answer(
                value="on" if (seen := read(session)).runs else "off",
                evidence=bit.facts(seen),
            ),
            about="on or off",
        ),
        Quantity(
            name="clock_offset",
            unit="s",
            read=offset,
            about="device minus host, UTC; one second coarse",
        ),
        Quantity(
            name="mission",
            unit="",
            read=lambda session: Answer(
                value="running" if (seen := read(session)).mission else "none",
                evidence=mission_facts(seen, bit),
            ),
            about="running or none, by the mission flag",
        ),
        Quantity(
            name="memory_cleared",
            unit="",
            read=lambda session: Answer(value=read(session).cleared),
            about="true from a clear to the start of the next mission",
        ),
        register_quantity(
            read, "mission_start", "when the last mission began", lambda r: r.started
        ),
        register_quantity(
            read,
            "mission_samples",
            "taken in the last mission",
            lambda r: r.samples,
            "samples",
        ),
        register_quantity(
            read,
            "lifetime_samples",
            "taken in a lifetime",
            lambda r: r.lifetime,
            "samples",
        ),
    )


LOOKS = ("oscillator", "mission", "memory_cleared", "clock_offset", "mission_samples")
"""Of these quantities an examination may ask; a forced conversion counts, so none is."""
