"""What loggers share: clock and mission in quantities, waiting for samples, judging a log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from harness.errors import ReadingImplausible
from harness.families.family import (
    Answer,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
)
from harness.records import Measurement

LOW = Option(name="low_degc", kind=OptionKind.NUMBER, about="lowest allowed sample")
HIGH = Option(name="high_degc", kind=OptionKind.NUMBER, about="highest allowed sample")
SAMPLES = Option(
    name="samples",
    kind=OptionKind.WHOLE,
    about="how many to wait for",
    default=2,
    low=1,
    high=2048,
)

_SUFFIX = {"degC": "degc", "%RH": "rh"}
_SPARE_S = 90.0
"""A first sample may wait for the device's next minute, and some."""


# -- clock and mission -------------------------------------------------------------


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


def mission_quantities(
    read: Callable[[Session], MissionRegisters], bit: OscillatorBit
) -> tuple[Quantity, ...]:
    """Oscillator, clock against the host, mission flag, clear flag; all only looked at."""

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
    )


LOOKS = ("oscillator", "mission", "memory_cleared", "clock_offset", "mission_samples")
"""Of these quantities an examination may ask; a forced conversion counts, so none is."""


# -- samples -----------------------------------------------------------------------


def wait_for_samples(
    session: Session,
    read: Callable[[Session], MissionRegisters],
    bit: OscillatorBit,
    *,
    wanted: int,
    period_s: float,
) -> int:
    """Wait until the device has taken so many samples; how many it has then.

    Raises:
        ReadingImplausible: its counter stands still, or is too slow (F26).
    """
    began_s = session.clock.now_s()
    while True:
        registers = read(session)
        taken = registers.samples
        if taken >= wanted:
            return taken
        waited_s = session.clock.now_s() - began_s
        if waited_s > (taken + 1) * period_s + _SPARE_S:
            raise ReadingImplausible(
                f"{taken} samples in {waited_s:.0f} s with a period of {period_s:g} s",
                hint="the mission runs but does not sample: its oscillator is on, so look "
                "at the cell; replace the unit"
                if registers.runs
                else "its oscillator is off: start it (check clock_set does), clear, start "
                "the mission anew",
                cause="device" if registers.runs else "configuration",
                facts=mission_facts(registers, bit),
            )
        session.clock.sleep(min(period_s / 4, 5.0))


def judged_log(
    samples: Sequence[float], options: Options, *, name: str = "log", unit: str = "degC"
) -> tuple[Measurement, ...]:
    """Number, lowest and highest of a log; limits are options such as ``low_degc``."""
    values = [Measurement(name=f"{name}_samples", value=len(samples), unit="samples")]
    if samples:
        low, high = (
            options.number(limit) if options.given(limit) else None
            for limit in (f"low_{_SUFFIX[unit]}", f"high_{_SUFFIX[unit]}")
        )
        values += [
            Measurement(name=f"{name}_lowest", value=min(samples), unit=unit, low=low),
            Measurement(
                name=f"{name}_highest", value=max(samples), unit=unit, high=high
            ),
        ]
    return tuple(values)
