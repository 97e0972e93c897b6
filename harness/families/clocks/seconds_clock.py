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

Source: data sheets of families 24h (part DS2415) p. 4 and 27h (part DS2417) p. 4-5, as
collected in the family facts, 4.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.common.answers import shown
from harness.families.common.values import on_off, whole
from harness.families.family import (
    Answer,
    Check,
    Family,
    Findings,
    Hazard,
    Option,
    OptionKind,
    Options,
    Quantity,
    Session,
    Setting,
    by_name,
    looks,
)
from harness.records import Measurement, Scalar

READ, WRITE = 0x66, 0x99

_RUNNING = 0x0C
_INTERRUPT = 0x80
INTERVALS_S = (1, 4, 32, 64, 2048, 4096, 65536, 131072)
_SLACK_S = 2
"""Between writing a time and reading it back seconds may pass, not more than these."""

_LONGEST_TICK_S = 1.5
_HAZARDS = frozenset({Hazard.CLOCK_SETTING})


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Control byte and seconds."""

    control: int
    seconds: int

    @property
    def runs(self) -> bool:
        """True if the oscillator is on."""
        return self.control & _RUNNING == _RUNNING


def read(session: Session) -> Snapshot:
    """One snapshot, read twice.

    Raises:
        DeviceAbsent: ones from nobody.
        CheckValueWrong: the two copies differ.
        AnswerImpossible: fixed bits of the control byte are wrong.
    """
    answer = session.transact(bytes([READ]), 10)
    first, second = answer[:5], answer[5:]
    if first != second:
        raise CheckValueWrong(
            f"two copies of one snapshot differ: {shown(first)}, then {shown(second)}",
            hint="this part has no check value: look at edges and noise, then repeat",
        )
    if set(answer) == {0xFF}:
        raise DeviceAbsent("nobody drives the line: ten bytes of FFh were read")
    if set(answer) == {0x00}:
        session.verify()  # a stopped clock at zero and a line held low read alike
    control = first[0]
    if control & 0x03 or control & _RUNNING not in {0, _RUNNING}:
        raise AnswerImpossible(
            f"control byte {control:02X}h: bits 1 and 0 must be 0, bits 3 and 2 alike",
            hint="repeat; if it stays set the clock once, its control is undefined "
            "after the first power-up",
        )
    return Snapshot(control=control, seconds=int.from_bytes(first[1:], "little"))


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


def _oscillator(session: Session) -> Answer:
    snapshot = read(session)
    return Answer(
        value="on" if snapshot.runs else "off",
        evidence={
            "byte": f"{snapshot.control:02X}",
            "place": "bits 3 and 2 of the control byte, 1 runs",
        },
    )


def _offset(session: Session) -> Answer:
    before_s = _host_s(session)
    seconds = _running(session).seconds
    host_s = (before_s + _host_s(session)) / 2
    return Answer(
        value=round(seconds - host_s, 3),
        evidence={"device_s": seconds, "host_s": round(host_s, 3)},
    )


_COMMON = (
    Quantity(
        name="clock_time",
        unit="s",
        read=lambda session: Answer(value=read(session).seconds),
        about="seconds that the device counts, of whatever epoch",
    ),
    Quantity(
        name="clock_offset",
        unit="s",
        read=_offset,
        about="device minus host, both counted from 1970; one second coarse",
    ),
    Quantity(
        name="oscillator",
        unit="",
        read=_oscillator,
        about="on or off",
    ),
)
_USER_FLAGS = Quantity(
    name="user_flags",
    unit="",
    read=lambda session: Answer(value=read(session).control >> 4),
    about="four bits that mean nothing to the device, 0 to 15",
)
_INTERRUPT_ROWS = (
    Quantity(
        name="interrupt",
        unit="",
        read=lambda session: Answer(
            value="on" if read(session).control & _INTERRUPT else "off"
        ),
        about="interrupt output on or off",
    ),
    Quantity(
        name="interrupt_interval",
        unit="s",
        read=lambda session: Answer(value=INTERVALS_S[read(session).control >> 4 & 7]),
        about="seconds from interrupt to interrupt",
    ),
)


# -- settings ------------------------------------------------------------------------


def _bit(control: int, bits: int, on: bool) -> int:
    return control | bits if on else control & ~bits


def _new_control(control: int, settings: Mapping[str, Scalar]) -> int:
    if "oscillator" in settings:
        on = on_off("oscillator", settings["oscillator"])
        control = _bit(control, _RUNNING, on)
    if "user_flags" in settings:
        flags = whole("user_flags", settings["user_flags"], 0, 15)
        control = control & 0x0F | flags << 4
    if "interrupt" in settings:
        on = on_off("interrupt", settings["interrupt"])
        control = _bit(control, _INTERRUPT, on)
    if "interrupt_interval_s" in settings:
        interval = settings["interrupt_interval_s"]
        if interval not in INTERVALS_S:
            listed = ", ".join(map(str, INTERVALS_S))
            raise UsageError(
                f"interrupt_interval_s takes one of {listed}, got {interval!r}"
            )
        place = INTERVALS_S.index(int(interval))
        control = control & 0x8F | place << 4
    return control


def configure(session: Session, settings: Mapping[str, Scalar], store: bool) -> Answer:
    """Write control and time together; what is not set keeps its value.

    A running clock whose time is not set loses less than a second by being written.

    Raises:
        UsageError: a value out of range.
        AnswerImpossible: something else is read back.
    """
    del store  # the battery keeps it anyway
    held = read(session)
    control = _new_control(held.control, settings)
    seconds = held.seconds
    if "clock_time_s" in settings:
        seconds = whole("clock_time_s", settings["clock_time_s"], 0, (1 << 32) - 1)
    session.note("clock before writing", control=held.control, seconds=held.seconds)
    write(session, control, seconds)
    return Answer(value=f"{control:02X}h, {seconds} s")


def _setting(name: str, about: str, unit: str = "") -> Setting:
    return Setting(name=name, unit=unit, about=about, hazards=_HAZARDS)


_COMMON_SETTINGS = (
    _setting("clock_time_s", "whole seconds, 0 to 4294967295", "s"),
    _setting("oscillator", "on or off"),
)
_FLAG_SETTINGS = (_setting("user_flags", "0 to 15"),)
_INTERRUPT_SETTINGS = (
    _setting("interrupt", "on or off"),
    _setting(
        "interrupt_interval_s",
        "one of 1, 4, 32, 64, 2048, 4096, 65536, 131072",
        "s",
    ),
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tick:
    """A second's beginning: what the device counts then, and when it was."""

    seconds: int
    at_s: float
    doubt_s: float


def _next_tick(session: Session) -> _Tick:
    """Watch the clock until its second changes."""
    started_s = session.clock.now_s()
    held = _running(session)
    before_s = _host_s(session)
    while session.clock.now_s() - started_s < _LONGEST_TICK_S:
        asked_s = _host_s(session)
        now = _running(session)
        after_s = _host_s(session)
        if now.seconds == held.seconds + 1:
            # it changed between the last question and this answer
            middle_s, doubt_s = (before_s + after_s) / 2, (after_s - before_s) / 2
            return _Tick(seconds=now.seconds, at_s=middle_s, doubt_s=doubt_s)
        if now.seconds != held.seconds:
            raise AnswerImpossible(
                f"the clock jumped from {held.seconds} to {now.seconds} s"
            )
        before_s = asked_s
    raise StillBusy(
        f"the clock stands at {held.seconds} s for {_LONGEST_TICK_S} s",
        hint="its oscillator bits are on and it does not count: look at the crystal",
        cause="device",
    )


def _drift(session: Session, options: Options) -> Findings:
    first = _next_tick(session)
    session.clock.sleep(options.number("for_s"))
    last = _next_tick(session)
    host_s = last.at_s - first.at_s
    device_s = last.seconds - first.seconds
    high = options.number("high_ppm")
    return Findings(
        measurements=(
            Measurement(
                name="clock_drift",
                value=round((device_s - host_s) / host_s * 1e6, 1),
                unit="ppm",
                low=-high,
                high=high,
                uncertainty=round((first.doubt_s + last.doubt_s) / host_s * 1e6, 1),
                beyond_doubt=True,
            ),
        ),
        evidence={"device_s": device_s, "host_s": round(host_s, 6)},
        cause="device",
        hint="this crystal or its cell: replace the unit, or correct its stamps by this "
        "rate",
    )


_CHECKS = (
    Check(
        name="clock_set",
        about="sets the clock to the host's date and time, oscillator on",
        run=_set_to_host,
        leaves=frozenset({"clock_time", "clock_offset", "clock_drift", "oscillator"}),
        hazards=_HAZARDS,
        expected_s=1.2,
    ),
    Check(
        name="clock_drift",
        about="compares the clock's rate with the host's calendar over a stated time",
        run=_drift,
        options=by_name(
            Option(
                name="for_s",
                kind=OptionKind.NUMBER,
                about="time between the two looks; half an hour leaves some 20 ppm of doubt",
                default=1800,
                low=10,
                high=86_400,
            ),
            Option(
                name="high_ppm",
                kind=OptionKind.NUMBER,
                about="largest drift to either side, beyond the doubt of the method",
                default=46,
                low=0,
            ),
        ),
        expected_s=1802,
    ),
)

FAMILIES = (
    Family(
        code=0x24,
        name="clock, seconds",
        device_class="clock",
        typical_parts="DS2415, DS1904",
        quantities=by_name(*_COMMON, _USER_FLAGS),
        settings=by_name(*_COMMON_SETTINGS, *_FLAG_SETTINGS),
        configure=configure,
        checks=by_name(*_CHECKS),
        looks=looks("oscillator", "clock_offset"),
        destructive="setting loses the old time",
        facts="no check value: read twice",
    ),
    Family(
        code=0x27,
        name="clock, seconds, interrupt",
        device_class="clock",
        typical_parts="DS2417",
        quantities=by_name(*_COMMON, *_INTERRUPT_ROWS),
        settings=by_name(*_COMMON_SETTINGS, *_INTERRUPT_SETTINGS),
        configure=configure,
        checks=by_name(*_CHECKS),
        looks=looks("oscillator", "clock_offset"),
        destructive="setting loses the old time",
        facts="no check value: read twice; a reset over 960 us can hide an interrupt",
    ),
)
