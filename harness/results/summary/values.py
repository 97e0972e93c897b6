"""The value that stands for each quantity of a device, where several steps measured it.

Rule 1: the last value, but one outside its limits is never replaced.
Rule 2: of a step that ran under several conditions the worst one, and all its values:
those of different conditions are never mixed.
Rule 3: what a step finds about a slot is named with the step, because others find the
same of other slots.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from harness.records import DeviceRef, Measurement
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, StepRecord
from harness.results.summary.corners import CornerResult, base_title, corner_result

_SETTINGS_STEPS = frozenset({"configure"})
"""Its values are what was asked for."""

_SLOT_STEPS = frozenset({"stress", "shmoo"})

_NOT_QUANTITIES = frozenset({"rom_code"})
"""Names a device instead of describing it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceValue:
    """One value of one device.

    Attributes:
        name: of the quantity, with the step where it describes that.
        step: that measured it.
        measurement: as measured.
    """

    name: str
    step: StepRecord
    measurement: Measurement

    @property
    def is_outside(self) -> bool:
        """True if it misses a limit."""
        return self.measurement.is_judged and not self.measurement.holds


Values = dict[DeviceRef, dict[str, DeviceValue]]


def _every(_step: StepRecord, _measurement: Measurement) -> bool:
    return True


def device_values(
    record: RunRecord, wanted: Callable[[StepRecord, Measurement], bool] = _every
) -> Values:
    """The values of each device by their names.

    Args:
        record: the run.
        wanted: False of a value that is left out.
    """
    found: Values = {device: {} for device in record.devices}
    for device, value in _quantities(record, wanted):
        before = found[device].get(value.name)
        if before is None or not before.is_outside:
            found[device][value.name] = value
    return found


def _quantities(
    record: RunRecord, wanted: Callable[[StepRecord, Measurement], bool]
) -> Iterator[tuple[DeviceRef, DeviceValue]]:
    """Each value that a device has, in order."""
    for step, result in _standing(record):
        if result.device is None or step.kind in _SETTINGS_STEPS:
            continue
        for m in result.shown.measurements:
            if m.name in _NOT_QUANTITIES or not wanted(step, m):
                continue
            name = f"{step.title}: {m.name}" if step.kind in _SLOT_STEPS else m.name
            yield result.device, DeviceValue(name=name, step=step, measurement=m)


def corners_without_value(record: RunRecord) -> dict[DeviceRef, CornerResult]:
    """Of each device the first condition at which a step failed and measured nothing."""
    found: dict[DeviceRef, CornerResult] = {}
    for step, result in record.results:
        is_bad = result.outcome in BAD_OUTCOMES and not result.shown.measurements
        if step.condition and is_bad and result.device is not None:
            found.setdefault(result.device, corner_result(step, result))
    return found


def _standing(record: RunRecord) -> Iterator[tuple[StepRecord, DeviceResult]]:
    """Results in order; of those under conditions the worst that measured something."""
    worst: dict[tuple[DeviceRef | None, str], CornerResult] = {}
    for step, result in record.results:
        if not step.condition:
            yield step, result
        elif result.shown.measurements:
            corner, key = corner_result(step, result), (result.device, base_title(step))
            if key not in worst or corner.rank < worst[key].rank:
                worst[key] = corner
    for corner in worst.values():
        yield corner.step, corner.result
