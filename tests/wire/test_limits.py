"""The published limits once more, copied from the data sheets row by row."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest

from harness.wire.limits import (
    LOW_VOLTAGE_SLOT,
    LOW_VOLTAGE_WRITE_0,
    OVERDRIVE,
    OVERDRIVE_STRICT,
    STANDARD,
    Limit,
    SpeedLimits,
)

# Least and most in us. Data sheets of parts DS2431 p. 2-3 (reset, presence, slot, write,
# sample, recovery), DS2413 p. 2-3 (write-1 low, sample window), DS1996 p. 13-18 and
# DS18B20 p. 19 (reset high, sample of the device, read-0 low).
PUBLISHED: dict[str, dict[str, tuple[float | None, float | None]]] = {
    "standard": {
        "reset_low": (480, 640),
        "reset_high": (480, None),
        "presence_wait": (15, 60),
        "presence_low": (60, 240),
        "presence_sample": (60, 75),
        "slot": (65, None),
        "write_1_low": (5, 15),
        "write_0_low": (60, 120),
        "read_sample": (None, 15),
        "recovery": (5, None),
        "device_sample": (15, 60),
        "read_0_low": (15, 60),
    },
    "overdrive": {
        "reset_low": (48, 80),
        "reset_high": (48, None),
        "presence_wait": (2, 6),
        "presence_low": (7, 24),
        "presence_sample": (8, 10),
        "slot": (8, None),
        "write_1_low": (1, 2),
        "write_0_low": (8, 15.5),
        "read_sample": (None, 2),
        "recovery": (2, None),
        "device_sample": (2, 6),
        "read_0_low": (2, 6),
    },
}


def limits_of(speed: SpeedLimits) -> dict[str, tuple[float | None, float | None]]:
    """Every limit of a speed."""
    every = {field.name: getattr(speed, field.name) for field in fields(speed)}
    return {
        name: (limit.low_us, limit.high_us)
        for name, limit in every.items()
        if isinstance(limit, Limit)
    }


@pytest.mark.parametrize("speed", [STANDARD, OVERDRIVE], ids=lambda speed: speed.name)
def test_every_limit_is_the_published_one(speed: SpeedLimits) -> None:
    """No limit but these, and none missing."""
    assert limits_of(speed) == PUBLISHED[speed.name]


def test_what_all_parts_bear() -> None:
    """13 us a slot (DS28E05 p. 2) and 5 us of recovery (DS28EC20 p. 1-5), else the same."""
    assert limits_of(OVERDRIVE_STRICT) == {
        **PUBLISHED["overdrive"], "slot": (13, None), "recovery": (5, None),
    }  # fmt: skip


def test_switch_parts_at_low_voltage() -> None:
    """2 us longer below 4.5 V (DS2413 p. 2-3)."""
    assert (LOW_VOLTAGE_WRITE_0.low_us, LOW_VOLTAGE_WRITE_0.high_us) == (62, 120)
    assert (LOW_VOLTAGE_SLOT.low_us, LOW_VOLTAGE_SLOT.high_us) == (67, None)


def test_rise_that_a_reset_leaves_room_for() -> None:
    """Our choice: less than a sample's interval, a tenth of it or so of the slots' half bit.

    Half a bit of the default slots (70 us and 8.3 us in overdrive) is 3.5 us and 0.5 us.
    """
    assert STANDARD.rise_allowance_us == 2.0
    assert OVERDRIVE.rise_allowance_us == 0.5


@pytest.mark.parametrize(
    ("low_us", "high_us", "value_us", "margin", "holds"),
    [
        (10, 20, 11, 0.1, True),
        (10, 20, 19, 0.05, True),
        (10, 20, 10, 0.0, True),
        (10, 20, 20, 0.0, True),
        (10, 20, 9, -0.1, False),
        (10, 20, 21, -0.05, False),
        (None, 20, 5, 0.75, True),
        (10, None, 40, 3.0, True),
        (0, 20, 0, 1.0, True),  # a limit of zero has no share
        (0, None, 5, math.inf, True),
        (None, None, 5, math.inf, True),
    ],
)
def test_margin_and_holding(
    low_us: float | None,
    high_us: float | None,
    value_us: float,
    margin: float,
    holds: bool,
) -> None:
    """The nearer limit as a share of itself; the limits belong to what holds."""
    limit = Limit(name="x", low_us=low_us, high_us=high_us, source="invented")
    assert limit.margin(value_us) == pytest.approx(margin)
    assert limit.holds(value_us) is holds
