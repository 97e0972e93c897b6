"""Does one device of a soak drift against its neighbours? The readings themselves tell.

The neighbours are the reference (``results.soak.shared``): what all of them share, and
what a device follows more, less or later than the others, is no drift of its own. What
is left is a drift if neither chance nor rounding explains it, and a failure if it is
more than healthy devices drift.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.lazy import STATISTICS, is_installed
from harness.plans.schema.soak import Soak
from harness.results.soak.drift import Drift
from harness.results.soak.record import SoakRecord
from harness.results.soak.shared import (
    DRIFT_DEVICES,
    DeviceCourse,
    courses_without_charts,
)

_FALSE_CALLS = 0.001
"""Chance that a soak of healthy devices has one that is said to drift, over all its
devices: a verdict is held to a tenth of what the page of the soak shows as a finding."""

_SHEET_DRIFT = {"temperature": 0.2}
"""Drift of a device in the unit of the quantity, either way: data sheet family 28h (part
DS18B20), DC characteristics, from a stress test of 1,000 hours at 125 degC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDrift:
    """How far a device drifted against its neighbours.

    Attributes:
        change: over the whole soak, in the unit of the quantity.
        per_h: slope, the same an hour.
        others: neighbours that it was compared with, at most.
        allowed: change that a healthy device shows at most.
    """

    change: float
    per_h: float
    others: int
    allowed: float

    @property
    def is_fault(self) -> bool:
        """True if healthy devices do not drift so far."""
        return abs(self.change) > self.allowed


def allowed_drift(body: Soak) -> float | None:
    """Change against the neighbours that passes; None where none is held to it.

    The plan's own, else twice what the data sheet gives: a healthy device and its healthy
    neighbours may drift either way. A quantity that its devices do not share, such as
    a voltage, has none.
    """
    if body.tolerate.drift is not None:
        return body.tolerate.drift
    sheet = _SHEET_DRIFT.get(body.quantity)
    return None if sheet is None else 2 * sheet


def is_judged(body: Soak, devices: int) -> bool:
    """True if a soak of so many devices can say which of them drifts."""
    if devices < DRIFT_DEVICES or not is_installed(STATISTICS):
        return False
    return allowed_drift(body) is not None


def own_drifts(body: Soak, record: SoakRecord) -> dict[str, OwnDrift]:
    """The devices that drift by themselves, by ROM code.

    With fewer than three nobody can say which one moves.
    """
    allowed = allowed_drift(body)
    compared = sum(bool(device.trace.bins) for device in record.devices.values())
    if allowed is None or not is_judged(body, compared):
        return {}
    found = {}
    for rom_code, course in courses_without_charts(record).by_key.items():
        line = _shown_by_both(course, _FALSE_CALLS / compared)
        if line is not None and abs(line.change) > course.rounding:
            found[rom_code] = OwnDrift(
                change=line.change,
                per_h=line.per_h,
                others=compared - 1,
                allowed=allowed,
            )
    return found


def _shown_by_both(course: DeviceCourse, level: float) -> Drift | None:
    """The smaller of a course's two lines, if both are beyond chance and go one way.

    What follows the others by another factor or later loses the one, a line that only
    the fit beside the others makes up loses the other.
    """
    first, second = course.lines
    if first is None or second is None or max(first.p, second.p) > level:
        return None
    if first.change * second.change <= 0:
        return None
    return min(first, second, key=lambda line: abs(line.change))
