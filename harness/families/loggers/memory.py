"""Registers, pages and missions of a temperature logger.

    0Fh AAh 55h scratchpad    A5h memory, a CRC-16 with each page    44h convert
    3Ch clear, only as the very next command after a write of 40h to 020Eh

A write to 0200-0213 ends a running mission. The range follows from the ROM code: 4F2h or
3B2h in its upper serial bits mark the finer ones.

Sources: data sheets family 21h (parts DS1921G p. 10-17 and 35-40, DS1921H/Z p. 9-14,
22-23 and 39). Range codes in the ROM code and scale of the H kind: from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from harness.errors import AnswerImpossible, UsageError
from harness.families.common import scratchpad
from harness.families.common.answers import shown
from harness.families.common.register_map import Field
from harness.families.common.scratchpad import ALTERNATING, Scratchpad
from harness.families.common.timekeeping import calendar_bytes, calendar_of
from harness.families.family import Session
from harness.families.loggers.missions.registers import (
    MissionRegisters,
    end_mission,
    mission_rows,
)
from harness.families.loggers.missions.sampling import (
    pages_beside_sampling,
    require_page,
)

READ_PAGES, CLEAR = 0xA5, 0x3C
PAGE = 32
CLOCK_AT, THRESHOLDS_AT, CONTROL_AT, STATUS_AT = 0x0200, 0x020B, 0x020E, 0x0214
ALARMS_AT, HISTOGRAM_AT, LOG_AT, LOG_BYTES = 0x0220, 0x0800, 0x1000, 2048
CLEAR_ENABLED, ROLLOVER = 0x40, 0x08
IDLE, CLEARED, MISSION = 0x80, 0x40, 0x20
FLAGS = {"low": 0x04, "high": 0x02, "clock": 0x01}
BINS = 64

PAD = Scratchpad(size=0x200, pad_bytes=PAGE, copy_s=0.001, done=ALTERNATING)


CONVERT_S = 0.1
_OSCILLATOR_START_S = 1.0
_CLEAR_S = 0.0005


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """What a raw byte means."""

    name: str
    step_degc: float
    zero_degc: float

    def degc(self, raw: int) -> float:
        """Temperature of a raw byte."""
        return raw * self.step_degc + self.zero_degc

    def raw(self, degc: float) -> int:
        """The nearest raw byte.

        Raises:
            UsageError: outside the range.
        """
        raw = round((degc - self.zero_degc) / self.step_degc)
        if not 0 <= raw <= 0xFF:
            raise UsageError(
                f"{degc:g} degC is outside the device's range",
                hint=f"{self.degc(0):g} to {self.degc(0xFF):g} degC",
            )
        return raw


WIDE = Range(name="wide", step_degc=0.5, zero_degc=-40)
_FINE = {
    0x3B2: Range(name="fine, Z", step_degc=0.125, zero_degc=-5.5),
    0x4F2: Range(name="fine, H", step_degc=0.125, zero_degc=14.5),
}


def range_of(session: Session) -> Range:
    """The device's range, by its ROM code."""
    return _FINE.get(session.rom.serial >> 36, WIDE)


# -- registers ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerRegisters(MissionRegisters):
    """The page from 0200h on; delay and period are counted in minutes."""

    WEEKDAY = True
    ROWS = mission_rows(
        Field(name="period", offset=0x0D, scale=60, unit="s"),
        Field(name="delay", offset=0x12, count=2, scale=60, unit="s"),
        oscillator=Field(
            name="oscillator", offset=0x0E, shift=7, codes={0: "on", 1: "off"}
        ),
        status=0x14,
        mission=5,
        cleared=6,
        samples=0x1A,
    )

    @property
    def period_s(self) -> float:
        """From sample to sample."""
        return self.ROWS["period"].number(self.block)

    @property
    def wait_s(self) -> float:
        """Delay, and the rest of the minute in which a mission starts."""
        return self.ROWS["delay"].number(self.block) + 60

    @property
    def begun(self) -> datetime | None:
        """Date and time of the start, to the minute; None for never."""
        minute, hour, date, month, year = stamp = self.block[0x15:0x1A]
        if not any(stamp):
            return None
        return calendar_of(bytes([0, minute, hour, 0, date, month, year]), weekday=True)


def read_pages(session: Session, address: int, count: int) -> bytes:
    """Whole pages, each proved by its CRC-16.

    What breaks off while it samples is asked again after the sampling.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answers say.
    """

    def pages_from(first: int) -> Iterator[bytes]:
        at = address + first * PAGE
        opening = bytes([READ_PAGES]) + at.to_bytes(2, "little")
        what = f"memory at {at:04X}h"
        yield require_page(opening, session.transact(opening, PAGE + 2), what=what)
        for _ in range(count - first - 1):
            yield require_page(b"", session.more(read=PAGE + 2), what=what)

    return pages_beside_sampling(session, pages_from, count, sampling_s=CONVERT_S)


def read_registers(session: Session) -> LoggerRegisters:
    """The register page.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answer says.
        AnswerImpossible: bits that are never set are.
    """
    block = read_pages(session, CLOCK_AT, 1)
    if block[0x14] & 0x08 or block[0x0F] or block[0x10]:
        raise AnswerImpossible(
            f"registers {shown(block)} have bits that are never set",
            hint="the check value is right, so the device does not behave as documented",
        )
    return LoggerRegisters(block=block)


def write_registers(session: Session, address: int, data: bytes) -> None:
    """Write registers by way of the scratchpad; the caller proves what came of it.

    Raises:
        AnswerImpossible, CheckValueWrong, DeviceAbsent, StillBusy: see ``scratchpad``.
    """
    staged = scratchpad.stage_proved(session, PAD, address, data)
    scratchpad.copy(session, PAD, staged)


def status_words(registers: LoggerRegisters) -> str:
    """Mission, flags and oscillator in words."""
    words = ["mission in progress" if registers.mission else "no mission"]
    words += [f"{name} flag" for name, bit in FLAGS.items() if registers.status & bit]
    words += ["memory cleared"] if registers.status & CLEARED else []
    words += [] if registers.runs else ["oscillator off"]
    return ", ".join(words)


def start_oscillator(session: Session) -> None:
    """Start the clock if it is off; a clear needs it to run for a second before."""
    if not read_registers(session).runs:
        write_registers(session, CONTROL_AT, b"\x00")
        session.clock.sleep(_OSCILLATOR_START_S)


def write_clock(session: Session, when: datetime) -> None:
    """Set date and time."""
    write_registers(session, CLOCK_AT, calendar_bytes(when, weekday=True))


# -- what a mission leaves ---------------------------------------------------------


def read_log(session: Session, registers: LoggerRegisters) -> list[float]:
    """Samples of the last mission that the memory still holds, oldest first."""
    kept = min(registers.samples, LOG_BYTES)
    if not kept:
        return []
    raw = read_pages(session, LOG_AT, -(-kept // PAGE))[:kept]
    if registers.samples > LOG_BYTES and registers.block[0x0E] & ROLLOVER:
        oldest = registers.samples % LOG_BYTES
        raw = raw[oldest:] + raw[:oldest]
    return [range_of(session).degc(value) for value in raw]


def read_histogram(session: Session) -> list[int]:
    """Counts of all bins."""
    raw = read_pages(session, HISTOGRAM_AT, 2 * BINS // PAGE)
    return [int.from_bytes(raw[at : at + 2], "little") for at in range(0, 2 * BINS, 2)]


def read_alarms(session: Session) -> dict[str, list[tuple[int, int]]]:
    """First sample and duration of each low and each high alarm."""
    raw = read_pages(session, ALARMS_AT, 3)
    found = {}
    for name, start in (("low", 0), ("high", 48)):
        rows = [raw[at : at + 4] for at in range(start, start + 48, 4)]
        found[name] = [
            (int.from_bytes(row[:3], "little"), row[3]) for row in rows if row[3]
        ]
    return found


# -- missions ----------------------------------------------------------------------


def stop(session: Session) -> LoggerRegisters:
    """End a mission, if there is one; its log stays.

    Raises:
        AnswerImpossible: it goes on.
    """
    return end_mission(
        session,
        read_registers,
        lambda: write_registers(session, STATUS_AT, b"\x00"),
    )


def clear(session: Session) -> None:
    """Erase histogram, alarms and counters of the last mission.

    The clear must be the very next command after the write that enables it, so the
    status behind that write is not asked for.

    Raises:
        AnswerImpossible: the device does not say that memory is cleared.
    """
    staged = scratchpad.stage_proved(session, PAD, CONTROL_AT, bytes([CLEAR_ENABLED]))
    session.transact(bytes([scratchpad.COPY]) + staged.authorisation)
    session.transact(bytes([CLEAR]))
    session.clock.sleep(_CLEAR_S)
    if not read_registers(session).status & CLEARED:
        raise AnswerImpossible(
            "memory is not cleared after the clear command",
            hint="the oscillator must run for a second before it: clock_set starts it",
        )


def start(session: Session, thresholds: bytes, period_min: int, control: int) -> None:
    """Start a mission, and prove that it runs.

    Raises:
        AnswerImpossible: oscillator, mission flag or settings are not as they must be.
    """
    write_registers(session, CONTROL_AT, bytes([control]) + bytes(6))
    write_registers(session, THRESHOLDS_AT, thresholds + bytes([period_min]))
    after = read_registers(session)
    if not after.mission or not after.runs or after.status & CLEARED:
        raise AnswerImpossible(
            f"the mission does not run: {status_words(after)}",
            hint="oscillator on, memory cleared, then the period: repeat the check",
            cause="configuration",
            facts=after.mission_facts(),
        )
    got = after.block[0x0B:0x0E]
    if got != thresholds + bytes([period_min]):
        raise AnswerImpossible(f"thresholds and period read {shown(got)}")
