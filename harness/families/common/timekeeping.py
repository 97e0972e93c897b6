"""Clocks inside devices: as calendar bytes in BCD, set from the host, held against it.

A clock that shows whole seconds is caught at the moment of a tick, so that its drift is
known to the width of one poll at either end, whatever the seconds hide. Times are UTC.

Sources: registers of families 21h (parts DS1921G p. 10, DS1921H/Z) and 41h (DS1922L/T
p. 18); that the century bit stands for 2100 on: from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceError,
    ReadingImplausible,
)
from harness.families.common.answers import shown
from harness.families.family import (
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.records import Measurement

LONGEST_TICK_S = 2.5
MONTH_S = 30 * 86_400

_FIRST_YEAR = 2000
_HALF_DAY, _AFTERNOON, _CENTURY = 0x40, 0x20, 0x80


# -- calendar bytes ----------------------------------------------------------------


def to_bcd(value: int) -> int:
    """Two decimal digits in one byte."""
    return value // 10 << 4 | value % 10


def from_bcd(value: int) -> int:
    """The inverse of ``to_bcd``.

    Raises:
        AnswerImpossible: a digit above nine.
    """
    if value & 0x0F > 9 or value >> 4 > 9:
        raise AnswerImpossible(f"{value:02X}h is no pair of decimal digits")
    return (value >> 4) * 10 + (value & 0x0F)


def calendar_bytes(when: datetime, *, weekday: bool) -> bytes:
    """Second, minute, hour, perhaps weekday (1 is Monday), date, month, year."""
    day = [when.isoweekday()] if weekday else []
    return bytes(
        to_bcd(value)
        for value in (
            when.second,
            when.minute,
            when.hour,
            *day,
            when.day,
            when.month,
            when.year - _FIRST_YEAR,
        )
    )


def _hour(value: int) -> int:
    if not value & _HALF_DAY:
        return from_bcd(value)
    hour = from_bcd(value & 0x1F) % 12
    return hour + 12 if value & _AFTERNOON else hour


def calendar_of(block: bytes, *, weekday: bool) -> datetime:
    """The inverse of ``calendar_bytes``; understands clocks of twelve hours too.

    Raises:
        AnswerImpossible: no date or time.
    """
    second, minute, hour, *rest = block
    date, month, year = rest[1:] if weekday else rest
    century = 100 if month & _CENTURY else 0
    try:
        return datetime(
            _FIRST_YEAR + century + from_bcd(year),
            from_bcd(month & ~_CENTURY),
            from_bcd(date),
            _hour(hour),
            from_bcd(minute),
            from_bcd(second),
            tzinfo=UTC,
        )
    except ValueError as cause:
        raise AnswerImpossible(
            f"clock bytes {shown(block)} are no date and time: {cause}"
        ) from cause


# -- ticks -------------------------------------------------------------------------


def _stands(held: int) -> DeviceError:
    return ReadingImplausible(
        f"the device's clock shows the same second, {held}, for {LONGEST_TICK_S:g} s",
        hint="its oscillator is off or broken: clock_set starts it",
        cause="configuration",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceClock:
    """A clock as the checks use it.

    Attributes:
        read: date and time, proved.
        peek: its second, read as quickly as can be.
        write: sets it; takes effect when it returns.
        lead_s: rough time that ``write`` takes.
        prepare: starts its oscillator; raises if setting it would do harm now.
        stands: the error of a clock that shows the same second for too long.
    """

    read: Callable[[Session], datetime]
    peek: Callable[[Session], int]
    write: Callable[[Session, datetime], None]
    lead_s: float
    prepare: Callable[[Session], object]
    stands: Callable[[int], DeviceError] = _stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """The moment in which a device's second began.

    Attributes:
        at_s: host time.
        doubt_s: half of the time between the two polls around it.
        shows: what the device shows from then on.
        offset_s: that less the host's calendar.
    """

    at_s: float
    doubt_s: float
    shows: datetime
    offset_s: float


def next_tick(session: Session, clock: DeviceClock) -> Tick:
    """Wait for the device's next second.

    Peeks have no check value: a second counts as begun only after two that agree, and
    if the proved reading right after it shows the same.

    Raises:
        ReadingImplausible: its clock stands still, or what ``clock.stands`` makes of it.
        AnswerImpossible: it never shows the same second twice in a row.
        CheckValueWrong: peek and proved reading differ.
    """
    began_s = before_s = session.clock.now_s()
    held, agreed = clock.peek(session), False
    while True:
        asked_s = session.clock.now_s()
        now = clock.peek(session)
        seen_s = session.clock.now_s()
        if now != held and agreed:
            break
        held, agreed, before_s = now, now == held, asked_s
        if seen_s - began_s > LONGEST_TICK_S:
            if not agreed:
                raise AnswerImpossible(
                    f"the clock jumps: no two readings agree, the last are second {held}"
                )
            raise clock.stands(held)
    host = session.clock.calendar() - timedelta(seconds=(seen_s - before_s) / 2)
    shows = clock.read(session)
    if shows.second != now or (now - held) % 60 != 1:
        raise CheckValueWrong(
            f"the clock went from second {held} to {now}, and reads {shows.second} then"
        )
    return Tick(
        at_s=(before_s + seen_s) / 2,
        doubt_s=(seen_s - before_s) / 2,
        shows=shows,
        offset_s=(shows - host).total_seconds(),
    )


# -- checks ------------------------------------------------------------------------


def drift_check(clock: DeviceClock) -> Check:
    """Compare the rate of the device's clock with the host's."""

    def drift(session: Session, options: Options) -> Findings:
        first = next_tick(session, clock)
        session.clock.sleep(options.number("for_s"))
        last = next_tick(session, clock)
        host_s = last.at_s - first.at_s
        device_s = (last.shows - first.shows).total_seconds()
        ppm = (device_s / host_s - 1) * 1e6
        doubt_ppm = (first.doubt_s + last.doubt_s) / host_s * 1e6
        high_ppm = options.number("high_ppm")
        return Findings(
            measurements=(
                Measurement(
                    name="clock_drift",
                    value=ppm,
                    unit="ppm",
                    low=-high_ppm,
                    high=high_ppm,
                    uncertainty=doubt_ppm,
                    beyond_doubt=True,
                ),
                Measurement(
                    name="drift_in_30_days", value=ppm * 1e-6 * MONTH_S, unit="s"
                ),
                Measurement(name="duration", value=host_s, unit="s"),
                Measurement(name="clock_offset", value=last.offset_s, unit="s"),
            ),
            evidence={"device_s": device_s, "host_s": round(host_s, 6)},
            cause="device",
            hint="this crystal or its cell: replace the unit, or correct its stamps by this "
            "rate",
        )

    return Check(
        name="clock_drift",
        about="holds the device's clock against the host's over a stated time",
        run=drift,
        options=by_name(
            Option.number(
                "for_s",
                "time between the two looks; the longer, the finer",
                default=1800,
                low=10,
                high=1e6,
            ),
            Option.number(
                "high_ppm",
                "largest drift to either side, beyond doubt; 2 min a month",
                default=46,
                low=0,
            ),
        ),
        expected_s=1803,
    )


def clock_checks(clock: DeviceClock) -> tuple[Check, Check]:
    """Drift against the host, and setting the clock from the host's calendar."""

    def set_it(session: Session, options: Options) -> Findings:
        clock.prepare(session)
        host = session.clock.calendar()
        wanted = (host + timedelta(seconds=clock.lead_s + 1)).replace(microsecond=0)
        session.note("setting the clock", to=wanted.isoformat())
        wait_s = (wanted - host).total_seconds() - clock.lead_s
        session.clock.sleep(wait_s)
        clock.write(session, wanted)
        tick = next_tick(session, clock)
        most_s = options.number("limit_s")
        return Findings(
            measurements=(
                Measurement(
                    name="clock_offset",
                    value=tick.offset_s,
                    unit="s",
                    low=-most_s,
                    high=most_s,
                    uncertainty=tick.doubt_s,
                ),
            ),
            evidence={"set_to": wanted.isoformat()},
        )

    return (
        drift_check(clock),
        Check(
            name="clock_set",
            about="starts the clock and sets it to the host's calendar, UTC",
            run=set_it,
            leaves=frozenset(
                {"clock", "clock_time", "clock_offset", "clock_drift", "oscillator"}
            ),
            options=by_name(
                Option.number("limit_s", "largest offset afterwards", default=1, low=0)
            ),
            hazards=frozenset({Hazard.CLOCK_SETTING}),
            expected_s=3,
        ),
    )
