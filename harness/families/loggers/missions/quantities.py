"""What any logger can be asked: its clock and its mission, all read from registers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from typing import Any, TypeVar

from harness.errors import ReadingImplausible
from harness.families.common.answers import shown
from harness.families.family import Answer, Quantity, Session
from harness.families.loggers.missions.registers import MissionRegisters
from harness.records import Scalar

R = TypeVar("R", bound=MissionRegisters)


def _as_read(registers: MissionRegisters) -> dict[str, Any]:
    return {"registers": shown(registers.block, most=64)}


def register_quantity(
    read: Callable[[Session], R],
    name: str,
    about: str,
    of: Callable[[R], Scalar],
    *,
    unit: str = "",
    evidence: Callable[[R], dict[str, Any]] = _as_read,
) -> Quantity:
    """Something that registers say, by default with all of them as evidence."""

    def answer(session: Session) -> Answer:
        registers = read(session)
        return Answer(value=of(registers), evidence=evidence(registers))

    return Quantity(name=name, unit=unit, read=answer, about=about)


def mission_quantities(
    read: Callable[[Session], R], kind: type[R]
) -> tuple[Quantity, ...]:
    """Clock, oscillator, clock against the host, mission, its samples.

    Args:
        read: the registers, proved; changes nothing.
        kind: has the rows.
    """

    def offset(session: Session) -> Answer:
        registers = read(session)
        if not registers.runs:
            raise ReadingImplausible(
                f"the oscillator is off: the clock stands at {registers.clock:%F %T}",
                hint="clock_set starts it",
                cause="configuration",
                facts=registers.oscillator_facts(),
            )
        host = session.clock.calendar().astimezone(UTC)
        shows = registers.clock
        return Answer(
            value=round((shows - host).total_seconds(), 1),
            evidence={"shows": shows.isoformat(), **registers.mission_facts()},
        )

    def row(name: str, evidence: Callable[[R], dict[str, Any]] = _as_read) -> Quantity:
        row = kind.ROWS[name]
        return register_quantity(
            read,
            name,
            row.about or row.allowed,
            lambda r: row.decode(r.block),
            unit=row.unit,
            evidence=evidence,
        )

    return (
        register_quantity(
            read, "clock", "the device's date and time", lambda r: r.clock.isoformat()
        ),
        row("oscillator", kind.oscillator_facts),
        Quantity(
            name="clock_offset",
            unit="s",
            read=offset,
            about="device minus host, UTC; one second coarse",
        ),
        row("mission", kind.mission_facts),
        row("memory_cleared", lambda _: {}),
        register_quantity(
            read, "mission_start", "when the last mission began", lambda r: r.started
        ),
        row("mission_samples"),
        row("lifetime_samples"),
    )


LOOKS = ("oscillator", "mission", "memory_cleared", "clock_offset", "mission_samples")
"""Of these quantities an examination may ask; a forced conversion counts, so none is."""
