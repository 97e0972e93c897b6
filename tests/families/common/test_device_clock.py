"""Ticks, drift and setting of a device's clock, on clocks that are arithmetic."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, cast

import pytest

from harness.errors import AnswerImpossible, CheckValueWrong, ReadingImplausible
from harness.families.common.timekeeping import (
    DeviceClock,
    calendar_bytes,
    calendar_of,
    clock_checks,
    drift_check,
    from_bcd,
    next_tick,
)
from harness.families.family import Hazard, Session

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

START = datetime(2026, 3, 1, tzinfo=UTC)
POLL_S = 0.004
"""How long a look at the device's clock takes."""


class Desk:
    """A session with a host's time and a device's clock that gains by so many ppm.

    Attributes:
        at_s: host time.
        offset_s: of the device's clock at first.
        notes: what went into the journal.
    """

    def __init__(self, *, ppm: float = 0.0, offset_s: float = 0.0) -> None:
        self.at_s = 0.0
        self.ppm, self.offset_s = ppm, offset_s
        self.set_at_s = 0.0
        self.notes: list[tuple[str, dict[str, Any]]] = []

    @property
    def clock(self) -> Desk:
        """Itself."""
        return self

    def now_s(self) -> float:
        """Host time."""
        return self.at_s

    def sleep(self, duration_s: float) -> None:
        """Wait."""
        self.at_s += duration_s

    def looked(self, second: int) -> int:
        """What is shown, after the time of a look."""
        self.at_s += POLL_S
        return second

    def calendar(self) -> datetime:
        """The host's date and time."""
        return START + timedelta(seconds=self.at_s)

    def note(self, text: str, **facts: Any) -> None:  # noqa: ANN401 - plain facts
        """Keep it."""
        self.notes.append((text, facts))

    def shows(self) -> datetime:
        """What the device shows."""
        run_s = (self.at_s - self.set_at_s) * (1 + self.ppm * 1e-6)
        whole = timedelta(seconds=int(self.set_at_s + self.offset_s + run_s))
        return START + whole


def clock_of(desk: Desk, **more: Any) -> DeviceClock:  # noqa: ANN401 - any attribute
    """The device's clock as the checks use it."""

    def peek(_: Session) -> int:
        desk.at_s += POLL_S
        return desk.shows().second

    def write(_: Session, when: datetime) -> None:
        desk.at_s += 0.25
        desk.set_at_s = desk.at_s
        desk.offset_s = (when - START).total_seconds() - desk.at_s

    settings: dict[str, Any] = {
        "read": lambda _: desk.shows(),
        "peek": peek,
        "write": write,
        "lead_s": 0.25,
        "prepare": lambda _: None,
        **more,
    }
    return DeviceClock(**settings)


def test_a_tick_is_known_to_half_a_poll() -> None:
    """Between the look before it and the one behind; offset by the middle of both."""
    desk = Desk(offset_s=10.4)
    desk.at_s = 0.1
    tick = next_tick(cast("Session", desk), clock_of(desk))
    # at 0.6 s the device's second becomes 11
    assert tick.shows == START + timedelta(seconds=11)
    assert abs(tick.at_s - 0.6) <= tick.doubt_s
    assert tick.doubt_s == pytest.approx(POLL_S)
    assert tick.offset_s == pytest.approx(10.4, abs=tick.doubt_s)


def test_a_clock_that_stands_is_given_two_and_a_half_seconds() -> None:
    """The error says what was shown, and what starts the clock."""
    desk = Desk()
    clock = clock_of(desk, peek=lambda _: desk.looked(17))
    with pytest.raises(
        ReadingImplausible, match=r"same second, 17, for 2\.5 s"
    ) as raised:
        next_tick(cast("Session", desk), clock)
    assert 2.5 < desk.at_s < 2.5 + 4 * POLL_S
    assert raised.value.cause == "configuration"
    other = clock_of(
        desk, peek=lambda _: desk.looked(3), stands=lambda s: AnswerImpossible(f"at {s}")
    )  # fmt: skip
    with pytest.raises(AnswerImpossible, match="at 3"):
        next_tick(cast("Session", desk), other)


def test_peeks_that_never_agree_are_no_second() -> None:
    """Each look another second: it jumps."""
    desk, shown = Desk(), iter(range(10_000))
    clock = clock_of(desk, peek=lambda _: desk.looked(next(shown)))
    with pytest.raises(AnswerImpossible, match="the clock jumps"):
        next_tick(cast("Session", desk), clock)


@pytest.mark.parametrize(
    ("peeks", "reads", "right"),
    [
        ([5, 5, 6], 6, True),
        ([59, 59, 0], 0, True),
        # one look that differs is no tick while nothing agreed before it
        ([5, 6, 6, 7], 7, True),
        ([5, 5, 7], 7, False),
        ([5, 5, 4], 4, False),
        ([5, 5, 6], 7, False),
    ],
)
def test_a_tick_is_one_second_on_and_is_read_so(
    peeks: list[int], reads: int, right: bool
) -> None:
    """From two looks that agree to the next second, as the proved reading shows it."""
    desk, shown = Desk(), iter(peeks)
    clock = clock_of(
        desk,
        peek=lambda _: desk.looked(next(shown)),
        read=lambda _: START.replace(second=reads),
    )
    if right:
        assert next_tick(cast("Session", desk), clock).shows.second == reads
    else:
        with pytest.raises(CheckValueWrong, match=f"and reads {reads} then"):
            next_tick(cast("Session", desk), clock)


@pytest.mark.parametrize("ppm", [0.0, 40.0, -200.0])
def test_drift_over_a_stated_time(given: Make, ppm: float) -> None:
    """Gain over host time, known to a poll at either end; in 30 days and as an offset."""
    desk = Desk(ppm=ppm, offset_s=3.3)
    check = drift_check(clock_of(desk))
    found = check.run(cast("Session", desk), given(check, for_s=600, high_ppm=100))
    rows: dict[str, Any] = {row.name: row for row in found.measurements}
    drift = rows["clock_drift"]
    assert drift.uncertainty == pytest.approx(2 * POLL_S / 600 * 1e6, rel=0.01)
    assert abs(drift.value - ppm) <= drift.uncertainty
    assert (drift.low, drift.high, drift.unit) == (-100, 100, "ppm")
    month_s = 30 * 24 * 3600
    assert rows["drift_in_30_days"].value == pytest.approx(drift.value / 1e6 * month_s)
    assert rows["duration"].value == pytest.approx(600, abs=1.1)
    now_s = 3.3 + desk.at_s * ppm * 1e-6
    assert rows["clock_offset"].value == pytest.approx(now_s, abs=2 * POLL_S)
    assert found.evidence["device_s"] == round(found.evidence["device_s"])


def test_options_of_the_drift(given: Make) -> None:
    """Half an hour and 46 ppm (2 min a month) unless a plan says so; 10 s at least."""
    check = drift_check(clock_of(Desk()))
    options = given(check)
    assert (options.number("for_s"), options.number("high_ppm")) == (1800, 46)
    assert check.expected_s == 1803
    assert pytest.approx(46, abs=0.4) == 120 / (30 * 86_400) * 1e6
    rows = check.options
    assert (rows["for_s"].low, rows["for_s"].high, rows["high_ppm"].low) == (10, 1e6, 0)


def test_setting_takes_effect_at_a_whole_second(given: Make) -> None:
    """Announced in the journal, begun so much earlier as writing takes, then looked at."""
    desk = Desk(offset_s=-500.0)
    desk.at_s = 7.3
    prepared: list[float] = []
    clock = clock_of(desk, prepare=lambda _: prepared.append(desk.at_s))
    check = clock_checks(clock)[1]
    assert (check.name, check.expected_s) == ("clock_set", 3)
    assert check.hazards == {Hazard.CLOCK_SETTING}
    found = check.run(cast("Session", desk), given(check))
    assert prepared == [7.3]
    # 7.3 + 0.25 + 1 s: the whole second before that
    wanted = START + timedelta(seconds=8)
    assert desk.notes == [("setting the clock", {"to": wanted.isoformat()})]
    assert found.evidence == {"set_to": wanted.isoformat()}
    assert desk.set_at_s == pytest.approx(8.0)
    offset: Any = found.measurements[0]
    assert len(found.measurements) == 1
    assert (offset.low, offset.high, offset.unit) == (-1, 1, "s")
    assert abs(offset.value) <= POLL_S
    assert offset.uncertainty == pytest.approx(POLL_S)
    assert check.options["limit_s"].low == 0


@pytest.mark.parametrize(
    ("hour", "stands"),
    [
        (0x12, 12), (0x23, 23), (0x00, 0),
        # bit 6: twelve hours, bit 5: afternoon (DS1921G p. 10)
        (0x40 | 0x12, 0), (0x40 | 0x01, 1), (0x40 | 0x11, 11),
        (0x60 | 0x12, 12), (0x60 | 0x01, 13), (0x60 | 0x11, 23),
    ],
)  # fmt: skip
def test_hours_of_both_kinds(hour: int, stands: int) -> None:
    """Midnight is 12 in the morning, noon 12 in the afternoon."""
    block = bytes([0x59, 0x58, hour, 0x31, 0x12, 0x99])
    found = calendar_of(block, weekday=False)
    assert found == datetime(2099, 12, 31, stands, 58, 59, tzinfo=UTC)
    assert calendar_bytes(found, weekday=False)[:2] == b"\x59\x58"


@pytest.mark.parametrize("value", [0x0A, 0xA0, 0x9A, 0xFF])
def test_digits_above_nine(value: int) -> None:
    """Neither of the two."""
    assert from_bcd(0x99) == 99
    with pytest.raises(AnswerImpossible, match=f"{value:02X}h is no pair"):
        from_bcd(value)
