"""Where one kind of low ends and the next begins, for both speeds.

A low is classed at the geometric mean of the two published limits that stand nearest on
either side, so that a host or a device may miss either limit by the same factor and is
still recognised, and then judged. Published limits: ``wire.limits``; where those are
stricter than any single part, the loosest published value is used here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from harness.wire.limits import OVERDRIVE, STANDARD, Limit

HOLD_OFF_US = 0.5
"""A device ignores falling edges so soon after a rising one (0.5 us at least: data
sheets of parts with hysteresis, family 2Dh and 3Ah): a gap shorter than this separates
no two slots."""

_PUBLISHED = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotRules:
    """Borders of one speed, in us.

    Attributes:
        one_us: a slot's low beyond this is a zero.
        surely_one_us: a slot's low up to here is a one; between the two its frame
            decides (``parting``).
        reset_us: a low from here on is a reset.
        surely_reset_us: a low from here on is a reset wherever it begins.
        presence_us: a low that begins within this after a reset is presence.
        slot_us: two falling edges nearer than this are not two slots.
        write_0_us: shortest write-0 low that is published.
        long_us: a slot's low beyond this is longer than any limit allows.
    """

    one_us: float
    surely_one_us: float
    reset_us: float
    surely_reset_us: float
    presence_us: float
    slot_us: float
    write_0_us: float
    long_us: float


def _between(below: float | None, above: float | None) -> float:
    return sqrt((below or _PUBLISHED) * (above or _PUBLISHED))


def presences_us(wait: Limit, low: Limit) -> float:
    """The longest that presence pulses last together: first to begin, last to end."""
    return (wait.high_us or 0.0) + (low.high_us or 0.0) - (wait.low_us or 0.0)


def _mirrored(limit: float | None, above: float) -> float:
    """As far below a limit, as a factor, as the border to what is above is beyond it."""
    border = _between(limit, above)
    return (limit or _PUBLISHED) ** 2 / border


# A device that holds a zero does so for 15 us beyond the 15 of the sample, typically,
# at overdrive 1.5 us beyond 2 (data sheet, memory button, part DS1996, p. 13-18).
_TYPICAL_ZERO_US, _TYPICAL_OVERDRIVE_ZERO_US = 30.0, 3.5

# The shortest slots published: 60 us and 6 us (part DS1996). A device samples a slot
# 30 us after its edge, typically, and takes no second edge before.
_SHORTEST_SLOT_US, _SHORTEST_OVERDRIVE_SLOT_US = 60.0, 6.0

STANDARD_RULES = SlotRules(
    one_us=_between(STANDARD.write_1_low.high_us, _TYPICAL_ZERO_US),
    surely_one_us=_mirrored(STANDARD.write_1_low.high_us, _TYPICAL_ZERO_US),
    reset_us=_between(STANDARD.write_0_low.high_us, STANDARD.reset_low.low_us),
    surely_reset_us=_between(
        presences_us(STANDARD.presence_wait, STANDARD.presence_low),
        STANDARD.reset_low.low_us,
    ),
    presence_us=_between(STANDARD.presence_wait.high_us, STANDARD.reset_high.low_us),
    slot_us=_SHORTEST_SLOT_US / 2,
    write_0_us=STANDARD.write_0_low.low_us or 60.0,
    long_us=STANDARD.write_0_low.high_us or 120.0,
)
"""21 us, 10.6 us, 240 us, 370 us, 170 us, 30 us, 60 us, 120 us."""

OVERDRIVE_RULES = SlotRules(
    one_us=_between(OVERDRIVE.write_1_low.high_us, _TYPICAL_OVERDRIVE_ZERO_US),
    surely_one_us=_mirrored(OVERDRIVE.write_1_low.high_us, _TYPICAL_OVERDRIVE_ZERO_US),
    reset_us=_between(OVERDRIVE.write_0_low.high_us, OVERDRIVE.reset_low.low_us),
    surely_reset_us=_between(
        presences_us(OVERDRIVE.presence_wait, OVERDRIVE.presence_low),
        OVERDRIVE.reset_low.low_us,
    ),
    presence_us=_between(OVERDRIVE.presence_wait.high_us, OVERDRIVE.reset_high.low_us),
    slot_us=_SHORTEST_OVERDRIVE_SLOT_US / 2,
    write_0_us=OVERDRIVE.write_0_low.low_us or 6.0,
    long_us=OVERDRIVE.write_0_low.high_us or 16.0,
)
"""2.6 us, 1.5 us, 27 us, 17 us, 3 us, 8 us, 15.5 us."""

NO_SLOT_FACTOR = 1.25
"""A low beyond ``long_us`` is a slot only if the recording's other long slots are about
as long: within this factor of their median (a timer's spread; our choice)."""
