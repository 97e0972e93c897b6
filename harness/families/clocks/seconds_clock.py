"""Clocks 24h and 27h: a 32-bit counter of seconds behind one control byte.

    66h                     control and four bytes of time, low byte first; repeats
    99h control time        control acts at once, time at the reset that follows

    control   b1:0 zero, b3:2 oscillator (both alike)
              24h: b7:4 for the user
              27h: b7 interrupt, b6:4 its interval: 1, 4, 32, 64, 2048, 4096, 65536,
                   131072 s

There is no check value. The snapshot that a read repeats is compared with itself, and
the fixed bits of the control byte with what they must be; an error that strikes both
copies alike stays unseen. Time is counted from 1970 here, in UTC, but the device knows
no epoch. With the specified crystal a clock is within 2 minutes a month, 46 ppm, at
25 degC. After the first power-up time and control are undefined (from memory).

Sources: data sheets DS2415 (family 24h) p. 4, DS2417 (family 27h) p. 4-5.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.clocks import commands
from harness.families.common.answers import shown
from harness.families.common.register_map import (
    ON_OFF,
    Access,
    Field,
    RegisterMap,
)
from harness.families.common.timekeeping import DeviceClock, drift_check
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Options,
    Quantity,
    Session,
    by_name,
    looks,
)
from harness.records import Measurement, Scalar

READ, WRITE = 0x66, 0x99

_RUNNING = 0x0C
INTERVALS_S = (1, 4, 32, 64, 2048, 4096, 65536, 131072)
_SLACK_S = 2
"""Between writing a time and reading it back seconds may pass, not more than these."""

_HAZARDS = frozenset({Hazard.CLOCK_SETTING})


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Control byte and seconds, as one block of five bytes."""

    block: bytes

    @property
    def control(self) -> int:
        """The control byte."""
        return self.block[0]

    @property
    def seconds(self) -> int:
        """What the clock counts."""
        return int.from_bytes(self.block[1:], "little")

    @property
    def runs(self) -> bool:
        """True if the oscillator is on."""
        return self.control & _RUNNING == _RUNNING


def read(session: Session) -> Snapshot:
    """One snapshot, read twice.

    Raises:
        DeviceAbsent: all ones: no device drives the line.
        CheckValueWrong: the two copies differ.
        AnswerImpossible: fixed bits of the control byte are wrong.
    """
    answer = session.transact(bytes([READ]), 10)
    first, second = answer[:5], answer[5:]
    if first != second:
        raise CheckValueWrong(
            f"two copies of one snapshot differ: {shown(first)}, then {shown(second)}",
            hint="this device has no check value: look at edges and noise, then repeat",
        )
    if set(answer) == {0xFF}:
        raise DeviceAbsent("no device drives the line: ten bytes of FFh were read")
    if set(answer) == {0x00}:
        session.verify()  # a stopped clock at zero and a line held low read alike
    control = first[0]
    if control & 0x03 or control & _RUNNING not in {0, _RUNNING}:
        raise AnswerImpossible(
            f"control byte {control:02X}h: bits 1 and 0 must be 0, bits 3 and 2 alike",
            hint="repeat; if it stays set the clock once, its control is undefined "
            "after the first power-up",
        )
    return Snapshot(block=first)


def write(session: Session, control: int, seconds: int) -> None:
    """Set control and time, and prove them by reading.

    Raises:
        UsageError: the time does not fit into 32 bits.
        AnswerImpossible: something else is read back.
    """
    if not 0 <= seconds < 1 << 32:
        raise UsageError(f"{seconds} s do not fit into the clock", hint="0 to 2^32 - 1")
    session.transact(bytes([WRITE, control]) + seconds.to_bytes(4, "little"))
    got = read(session)
    late = got.seconds - seconds
    if got.control != control or not 0 <= late <= (_SLACK_S if got.runs else 0):
        raise AnswerImpossible(
            f"the clock reads control {got.control:02X}h, {got.seconds} s after writing "
            f"{control:02X}h, {seconds} s",
            hint="the device did not take it: noise on the way, or its supply",
        )


def _host_s(session: Session) -> float:
    return session.clock.calendar().timestamp()


# -- quantities ----------------------------------------------------------------------


def _running(session: Session) -> Snapshot:
    snapshot = read(session)
    if not snapshot.runs:
        raise ReadingImplausible(
            f"the oscillator is off: {snapshot.seconds} s stand still",
            hint="set the clock with its oscillator on",
            cause="configuration",
        )
    return snapshot


def _offset(session: Session) -> Answer:
    before_s = _host_s(session)
    seconds = _running(session).seconds
    host_s = (before_s + _host_s(session)) / 2
    return Answer(
        value=round(seconds - host_s, 3),
        evidence={"device_s": seconds, "host_s": round(host_s, 3)},
    )


_row = partial(Field, access=Access.READ_WRITE, hazards=_HAZARDS)
_COMMON = (
    _row(
        name="clock_time", about="seconds that the device counts, of whatever epoch",
        setting="clock_time_s", offset=1, count=4, unit="s",
    ),
    _row(
        name="oscillator", shift=2, bits=2, codes={0: "off", 3: "on"}, safe=True,
        evidence=lambda _, block: {
            "byte": f"{block[0]:02X}",
            "place": "bits 3 and 2 of the control byte, 1 runs",
        },
    ),
)  # fmt: skip
_USER_FLAGS = (
    _row(name="user_flags", about="four bits that mean nothing to the device", shift=4),
)
_INTERRUPT = (
    _row(name="interrupt", about="interrupt output", shift=7, codes=ON_OFF),
    _row(
        name="interrupt_interval", about="seconds from interrupt to interrupt",
        setting="interrupt_interval_s", shift=4, bits=3, unit="s",
        codes=dict(enumerate(INTERVALS_S)),
    ),
)  # fmt: skip


def _write_block(session: Session, _block: int, before: bytes, after: bytes) -> None:
    seconds, held_s = (int.from_bytes(block[1:], "little") for block in (after, before))
    session.note("clock before writing", control=before[0], seconds=held_s)
    write(session, after[0], seconds)


def _map(*rows: Field) -> RegisterMap:
    return RegisterMap(
        read=lambda session, row: read(session).block,
        write=_write_block,
        fields=(*_COMMON, *rows),
    )


REGISTERS = {0x24: _map(*_USER_FLAGS), 0x27: _map(*_INTERRUPT)}
"""By family code."""


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write control and time together; what is not set keeps its value.

    A running clock whose time is not set loses less than a second by being written.

    Raises:
        UsageError: a value out of range.
        AnswerImpossible: something else is read back.
    """
    del store  # the battery keeps it anyway
    written = REGISTERS[session.rom.family].configure(session, settings)
    return Answer(
        value=", ".join(f"control and time {shown(b)}" for b in written.values())
    )


# -- checks --------------------------------------------------------------------------


def _set_to_host(session: Session, options: Options) -> Findings:
    del options
    held = read(session)
    session.note("clock before setting", control=held.control, seconds=held.seconds)
    host_s = _host_s(session)
    # written shortly before a full second, so that the time is right when it counts
    session.clock.sleep(1.0 - host_s % 1.0)
    seconds = int(_host_s(session))
    write(session, held.control | _RUNNING, seconds)
    offset = _offset(session)
    return Findings(
        measurements=(
            Measurement(
                name="clock_offset", value=offset.value, unit="s", low=-1.5, high=1.5
            ),
        ),
        evidence=offset.evidence,
    )


def _as_date(session: Session) -> datetime:
    return datetime.fromtimestamp(_running(session).seconds, UTC)


def _stands(held: int) -> StillBusy:
    return StillBusy(
        f"the clock stands at second {held}",
        hint="its oscillator bits are on and it does not count: look at the crystal",
        cause="device",
    )


_CLOCK = DeviceClock(
    read=_as_date,
    peek=lambda session: _as_date(session).second,
    write=lambda session, when: write(
        session, read(session).control | _RUNNING, int(when.timestamp())
    ),
    lead_s=0.0,
    prepare=read,
    stands=_stands,
)


# -- rows ----------------------------------------------------------------------------


def _clock(code: int, name: str, typical_parts: str, facts: str) -> Family:
    registers = REGISTERS[code]
    offset = Quantity(
        name="clock_offset",
        unit="s",
        read=_offset,
        about="device minus host, both counted from 1970; one second coarse",
    )
    return Family(
        code=code,
        name=name,
        device_class="clock",
        typical_parts=typical_parts,
        quantities=by_name(*registers.quantities, offset),
        settings=by_name(*registers.settings),
        configure=configure,
        checks=by_name(
            Check(
                name="clock_set",
                about="sets the clock to the host's date and time, oscillator on",
                run=_set_to_host,
                leaves=frozenset(
                    {"clock_time", "clock_offset", "clock_drift", "oscillator"}
                ),
                hazards=_HAZARDS,
                expected_s=1.2,
            ),
            drift_check(_CLOCK),
        ),
        looks=(*registers.looks, *looks("clock_offset")),
        commands=commands.CLOCK,
        destructive="setting loses the old time",
        facts=facts,
    )


FAMILIES = (
    _clock(0x24, "clock, seconds", "DS2415, DS1904", "no check value: read twice"),
    _clock(
        0x27,
        "clock, seconds, interrupt",
        "DS2417",
        "no check value: read twice; a reset over 960 us can hide an interrupt",
    ),
)
