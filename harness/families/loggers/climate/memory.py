"""Registers, pages and missions of a logger for temperature and humidity.

    0Fh AAh scratchpad    99h copy with password    69h read with password, a CRC-16
    with each page over command, address and data    55h FFh convert
    96h clear, CCh start, 33h stop, each with password and FFh

    0200-0205 clock    0206-0207 period    0208-020B thresholds    020C-020F last values
    0210 0211 alarm enables    0212 b0 oscillator on, b1 period in seconds
    0213 b0 temperature, b1 humidity, b2 b3 each with 16 bits, b4 overwrite
    0214 alarms, b7 supply lost    0215 b3 cleared, b1 mission    0216-0218 delay
    0219-021E start    0220-0222 samples    0223-0225 of a lifetime    0226 model
    0227 AAh passwords on    0240-025F calibration    1000-2FFF log

Passwords must be off; then any eight bytes serve. A conversion while the oscillator is
off leaves the part dead for ever, so it is looked at before each. Registers cannot be
written during a mission.

Sources: data sheets family 41h (parts DS1922L/T p. 18-25, 32 and 45-49, DS1923 p. 14-24
and 48-52). Bits of 0211, 0213 and 0214, start of the log's second half, models E: from
memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from harness.errors import AnswerImpossible, CheckValueWrong
from harness.families.common import scratchpad
from harness.families.common.answers import shown
from harness.families.common.memory import Memory
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
from harness.wire.crc import crc8

READ, CONVERT, CLEAR, START, STOP = 0x69, 0x55, 0x96, 0xCC, 0x33
NO_PASSWORD = b"\xff" * 8
PAGE = 32
SETUP_AT, CLOCK_AT, CALIBRATION_AT = 0x0200, 0x0200, 0x0240
LOG_AT, HUMIDITY_LOG_AT, LOG_BYTES = 0x1000, 0x2000, 8192
RUNS, IN_SECONDS = 0x01, 0x02
LOG_TEMPERATURE, LOG_HUMIDITY, FINE_TEMPERATURE, FINE_HUMIDITY = 0x01, 0x02, 0x04, 0x08
SUPPLY_LOST, CLEARED, MISSION = 0x80, 0x08, 0x02
FLAGS = {
    "humidity high": 0x08,
    "humidity low": 0x04,
    "high": 0x02,
    "low": 0x01,
}

CONVERT_S = 0.6
_CLEAR_S = 0.0005
_OSCILLATOR_START_S = 1.0

PAD = Scratchpad(
    size=0x200,
    pad_bytes=PAGE,
    copy_s=0.001,
    done=ALTERNATING,
    copy_command=0x99,
    copy_suffix=NO_PASSWORD,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateRegisters(MissionRegisters):
    """The two register pages from 0200h on."""

    WEEKDAY = False
    ROWS = mission_rows(
        Field(name="period", offset=0x06, count=2),
        Field(name="delay", offset=0x16, count=3, scale=60, unit="s"),
        Field(name="alarms", offset=0x14),
        Field(name="model", offset=0x26),
        oscillator=Field(
            name="oscillator", offset=0x12, bits=1, codes={0: "off", 1: "on"}
        ),
        status=0x15,
        mission=1,
        cleared=3,
        samples=0x20,
    )

    @property
    def flags(self) -> list[str]:
        """Thresholds that were passed, in words."""
        return [name for name, bit in FLAGS.items() if self.number("alarms") & bit]

    @property
    def begun(self) -> datetime | None:
        """Date and time of the start; None for never."""
        stamp = self.block[0x19:0x1F]
        return calendar_of(stamp, weekday=False) if stamp[3] else None

    @property
    def period_s(self) -> float:
        """From sample to sample; in minutes or seconds, as a bit says."""
        unit_s = 1.0 if self.block[0x12] & IN_SECONDS else 60.0
        return unit_s * self.number("period")

    @property
    def wait_s(self) -> float:
        """Delay, in minutes as written."""
        return self.ROWS["delay"].number(self.block)

    @property
    def model(self) -> int:
        """Model byte."""
        return self.number("model")


# -- traffic -----------------------------------------------------------------------


def read_pages(session: Session, address: int, count: int) -> bytes:
    """Whole pages, each proved by its CRC-16; the password is not covered by it.

    What breaks off while it samples is asked again after the sampling.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answers say.
    """

    def pages_from(first: int) -> Iterator[bytes]:
        at = address + first * PAGE
        opening = bytes([READ]) + at.to_bytes(2, "little")
        what = f"memory at {at:04X}h"
        answer = session.transact(opening + NO_PASSWORD, PAGE + 2)
        yield require_page(opening, answer, what=what)
        for _ in range(count - first - 1):
            yield require_page(b"", session.more(read=PAGE + 2), what=what)

    return pages_beside_sampling(session, pages_from, count, sampling_s=CONVERT_S)


def read_registers(session: Session) -> ClimateRegisters:
    """The register pages.

    Raises:
        CheckValueWrong, DeviceAbsent: as the answers say.
        AnswerImpossible: fixed bits are wrong, the supply was lost, or passwords are on.
    """
    registers = ClimateRegisters(block=read_pages(session, SETUP_AT, 2))
    if registers.status & 0xE5 != 0xC0 or registers.block[0x13] & 0xC0 != 0xC0:
        raise AnswerImpossible(
            f"status {registers.status:02X}h and mission control "
            f"{registers.block[0x13]:02X}h have fixed bits that are wrong",
            hint="the check value is right, so the device does not behave as documented",
        )
    if registers.number("alarms") & SUPPLY_LOST:
        raise AnswerImpossible(
            "the logger lost its supply: calibration and log are invalid",
            hint="reject the unit",
        )
    if registers.block[0x27] == 0xAA:
        raise AnswerImpossible(
            "passwords are on", hint="take them off with the tool that set them"
        )
    return registers


def command(session: Session, code: int) -> None:
    """Clear, start or stop."""
    session.transact(bytes([code]) + NO_PASSWORD + b"\xff")


def require_running(session: Session) -> ClimateRegisters:
    """The registers, insisting on the oscillator.

    Raises:
        AnswerImpossible: it is off, and a conversion would leave the part dead.
    """
    registers = read_registers(session)
    if not registers.runs:
        raise AnswerImpossible(
            "the oscillator is off: a conversion now would leave the device dead for ever, "
            "nothing was sent",
            hint="clock_set starts it",
        )
    return registers


def write_setup(session: Session, block: bytes) -> None:
    """Write the first register page, all 32 bytes, with the CRC-16 of the scratchpad.

    The caller proves what came of it: clock and last values do not read back.

    Raises:
        AnswerImpossible, CheckValueWrong, DeviceAbsent, StillBusy: see ``scratchpad``.
    """
    staged = scratchpad.stage_proved(session, PAD, SETUP_AT, block)
    scratchpad.copy(session, PAD, staged)


def start_oscillator(session: Session) -> ClimateRegisters:
    """Start the clock if it is off."""
    registers = read_registers(session)
    if registers.runs:
        return registers
    block = bytearray(registers.block[:PAGE])
    block[0x12] |= RUNS
    write_setup(session, bytes(block))
    session.clock.sleep(_OSCILLATOR_START_S)
    return read_registers(session)


def write_clock(session: Session, when: datetime) -> None:
    """Set date and time, all six bytes in one go."""
    staged = scratchpad.stage_proved(
        session, PAD, CLOCK_AT, calendar_bytes(when, weekday=False)
    )
    scratchpad.copy(session, PAD, staged)


# -- missions ----------------------------------------------------------------------


def stop(session: Session) -> ClimateRegisters:
    """End a mission, if there is one; its log stays.

    Raises:
        AnswerImpossible: it goes on.
    """
    return end_mission(session, read_registers, lambda: command(session, STOP))


def clear(session: Session) -> None:
    """Erase what the last mission counted.

    Raises:
        AnswerImpossible: the device does not say that memory is cleared.
    """
    command(session, CLEAR)
    session.clock.sleep(_CLEAR_S)
    if not read_registers(session).status & CLEARED:
        raise AnswerImpossible("memory is not cleared after the clear command")


def start(session: Session, setup: bytes) -> None:
    """Write a setup, prove it, start the mission, prove that it runs.

    Args:
        session: the device.
        setup: the first register page, oscillator on.

    Raises:
        AnswerImpossible: setup, oscillator or mission flag are not as they must be.
    """
    write_setup(session, setup)
    got = require_running(session).block
    places = [*range(0x06, 0x0C), 0x10, 0x11, 0x12, 0x13, 0x16, 0x17, 0x18]
    wrong = [place for place in places if got[place] != setup[place]]
    if wrong:
        raise AnswerImpossible(
            f"register {0x200 + wrong[0]:04X}h reads {got[wrong[0]]:02X}h after writing "
            f"{setup[wrong[0]]:02X}h"
        )
    command(session, START)
    after = read_registers(session)
    if not after.mission or after.status & CLEARED:
        raise AnswerImpossible(
            f"the mission does not run: status {after.status:02X}h",
            hint="oscillator on and memory cleared are needed: repeat the check",
            cause="configuration",
            facts=after.mission_facts(),
        )


# -- calibration -------------------------------------------------------------------


def read_calibration(session: Session) -> bytes:
    """The calibration page, proved by its own CRC-8 too.

    Raises:
        CheckValueWrong: that check byte is wrong; the calibration is invalid.
    """
    page = read_pages(session, CALIBRATION_AT, 1)
    if not any(page) or crc8(page) != 0:
        raise CheckValueWrong(
            f"the calibration page {shown(page)} does not hold by its check byte",
            hint="the factory calibration is lost: reject the unit, or take readings as "
            "they are",
        )
    return page


# -- user memory -------------------------------------------------------------------


def _read_user(session: Session, at: int, length: int) -> bytes:
    first = at - at % PAGE
    count = -(-(at % PAGE + length) // PAGE)
    return read_pages(session, first, count)[at - first : at - first + length]


def _write_user(session: Session, at: int, data: bytes) -> None:
    while data:
        piece = data[: PAGE - at % PAGE]
        staged = scratchpad.stage_proved(session, PAD, at, piece)
        scratchpad.copy(session, PAD, staged)
        got = _read_user(session, at, len(piece))
        if got != piece:
            raise AnswerImpossible(
                f"memory at {at:04X}h reads {shown(got)} after writing {shown(piece)}"
            )
        at, data = at + len(piece), data[len(piece) :]


USER_MEMORY = Memory(size=PAD.size, read=_read_user, write=_write_user)
