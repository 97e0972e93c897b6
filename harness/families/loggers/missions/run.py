"""Missions of loggers, run: not while another is, waited for, and always stopped."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from harness.errors import ReadingImplausible
from harness.families.common.restore import restored
from harness.families.common.timekeeping import DeviceClock, from_bcd
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
)
from harness.families.loggers.missions.registers import (
    MissionRegisters,
)
from harness.records import Measurement

R = TypeVar("R", bound=MissionRegisters)

SAMPLES = Option.whole("samples", "how many to wait for", default=2, low=1, high=2048)

_SPARE_S = 90.0
"""A first sample may wait for the device's next minute, and some."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Logger(Generic[R]):
    """What differs from kind to kind.

    Attributes:
        read: its registers, proved.
        peek: the bytes that read the clock from its seconds on, without a check value.
        write_clock: sets date and time.
        start_oscillator: starts the clock if it is off.
        stop: ends a mission, if there is one; its log stays.
        hindrance: why nothing else is done in a mission, in words.
    """

    read: Callable[[Session], R]
    peek: bytes
    write_clock: Callable[[Session, datetime], None]
    start_oscillator: Callable[[Session], object]
    stop: Callable[[Session], R]
    hindrance: str

    def require_idle(self, registers: R) -> R:
        """The registers, insisting that no mission is in progress.

        Raises:
            ReadingImplausible: one is.
        """
        if registers.mission:
            raise ReadingImplausible(
                f"a mission is in progress, and {self.hindrance}",
                hint="mission_stop ends it and keeps its log",
            )
        return registers

    @property
    def clock(self) -> DeviceClock:
        """Its clock, which is not touched in a mission."""

        def prepare(session: Session) -> None:
            self.require_idle(self.read(session))
            self.start_oscillator(session)

        return DeviceClock(
            read=lambda session: self.read(session).clock,
            peek=lambda session: from_bcd(session.transact(self.peek, 1)[0] & 0x7F),
            write=self.write_clock,
            lead_s=0.1,
            prepare=prepare,
        )


# -- a mission from start to stop --------------------------------------------------


def run_mission(
    logger: Logger[R],
    session: Session,
    begin: Callable[[], None],
    *,
    wanted: int,
    period_s: float,
) -> tuple[R, R]:
    """Start, wait for samples, stop; registers just before the stop and after it.

    Args:
        logger: the kind.
        session: the device, cleared.
        begin: starts the mission and proves that it runs.
        wanted: samples to wait for.
        period_s: from sample to sample.

    Raises:
        ReadingImplausible: see ``wait_for_samples``; and what ``begin`` raises.
    """
    with restored(session, lambda: logger.stop(session), what="the end of the mission"):
        begin()
        wait_for_samples(session, logger.read, wanted=wanted, period_s=period_s)
        running = logger.read(session)
    return running, logger.stop(session)


def wait_for_samples(
    session: Session,
    read: Callable[[Session], MissionRegisters],
    *,
    wanted: int,
    period_s: float,
) -> int:
    """Wait until the device has taken so many samples; how many it has then.

    Raises:
        ReadingImplausible: its counter stands still, or is too slow.
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
                facts=registers.mission_facts(),
            )
        session.clock.sleep(min(period_s / 4, 5.0))


# -- checks ------------------------------------------------------------------------


def mission_check(
    run: Callable[[Session, Options], Findings],
    *options: Option,
    expected_s: float,
) -> Check:
    """The row of a kind's own mission."""
    return Check(
        name="mission",
        about="clears, sets the clock, logs some samples, stops, and checks all of it",
        run=run,
        leaves=frozenset(
            {
                "log",
                "histogram",
                "alarms",
                "mission",
                "mission_start",
                "mission_samples",
                "memory_cleared",
                "logger_status",
            }
        ),
        options=by_name(SAMPLES, *options),
        hazards=frozenset({Hazard.MISSION_DATA_LOSS, Hazard.CLOCK_SETTING}),
        expected_s=expected_s,
    )


def log_check(
    run: Callable[[Session, Options], Findings], *limits: Option, expected_s: float
) -> Check:
    """Reads the log of the last mission and holds it to limits."""
    return Check(
        name="log",
        about="reads the log of the last mission",
        run=run,
        options=by_name(*limits),
        expected_s=expected_s,
    )


def mission_values(
    options: Options, after: MissionRegisters, flags: str, *values: Measurement
) -> tuple[Measurement, ...]:
    """What every mission must give, around what its kind measures."""
    return (
        Measurement(
            name="mission_samples",
            value=after.samples,
            unit="samples",
            low=options.whole("samples"),
        ),
        *values,
        Measurement(name="flags", value=flags or "none"),
    )


def forced_temperature(read: Callable[[Session], Answer]) -> Quantity:
    """The row of a temperature that a logger measures outside of a mission."""
    return Quantity(
        name="temperature",
        unit="degC",
        read=read,
        about="from a forced conversion; not while a mission runs",
    )


def stop_check(logger: Logger[R]) -> Check:
    """Ends a mission."""

    def run(session: Session, options: Options) -> Findings:
        was = logger.read(session)
        after = logger.stop(session)
        return Findings(
            measurements=(
                Measurement(
                    name="mission_in_progress", value=after.mission, wanted=False
                ),
                Measurement(
                    name="mission_samples", value=after.samples, unit="samples"
                ),
            ),
            evidence={"status_before": f"{was.status:02X}"},
        )

    return Check(
        name="mission_stop",
        about="ends a mission; its log stays",
        run=run,
        leaves=frozenset({"mission", "logger_status", "log", "mission_samples"}),
        hazards=frozenset({Hazard.MISSION_DATA_LOSS}),
    )
