"""A lot: one value a device, and every reading behind it.

A device that was read more than once counts once, with the mean of its readings: repeats
of one unit are no more units. Limits are held against each reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from harness.errors import UsageError

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Every reading of a lot in the order of time, column by column.

    Columns and not an object a reading: a lot may have a million.

    Attributes:
        devices: device of each, as its index in the lot's list of devices.
        values: what each gave, in the lot's unit.
    """

    devices: np.ndarray[tuple[int], np.dtype[np.int64]]
    values: np.ndarray[tuple[int], np.dtype[np.float64]]

    def __len__(self) -> int:
        """How many."""
        return len(self.values)

    def chosen(self, mask: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Readings:
        """Those for which the mask is true."""
        return Readings(devices=self.devices[mask], values=self.values[mask])


@dataclass(frozen=True, kw_only=True)
class Lot:
    """The values of one lot.

    Attributes:
        name: as tables and pictures call it.
        quantity: what was measured.
        unit: of all values.
        values: one a device, the mean of its readings, in the order of first reading.
        readings: every reading; its devices count in the order of ``values``.
        limits: each pair of limits that readings were judged by.
        invalid: readings left out because they are no values.
        without_value: devices that have such readings only.
        left_out: devices that the user took out.
        simulated: True if readings come from a simulated bench.
    """

    name: str
    quantity: str
    unit: str
    values: Mapping[str, float]
    readings: Readings
    limits: frozenset[Limits] = frozenset()
    invalid: int = 0
    without_value: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    simulated: bool = False

    @cached_property
    def numbers(self) -> tuple[float, ...]:
        """One value a device."""
        return tuple(self.values.values())

    @cached_property
    def devices(self) -> tuple[str, ...]:
        """Each device once, in the order of first reading."""
        return tuple(self.values)

    @property
    def only_device(self) -> str:
        """The one device that was read.

        Raises:
            UsageError: there are more.
        """
        if len(self.values) > 1:
            raise UsageError(
                f"{self.name} has readings of {len(self.values)} devices, not of one"
            )
        return next(iter(self.values))

    def readings_of(self, device: str) -> tuple[float, ...]:
        """Readings in the order of time; of one device, or of all with an empty name.

        Raises:
            UsageError: the lot has no such device.
        """
        if device and device not in self.values:
            raise UsageError(f"{self.name} has no device {device!r}")
        found = self.readings
        if device:
            found = found.chosen(found.devices == self.devices.index(device))
        return tuple(found.values.tolist())

    def outside(self, low: float | None, high: float | None) -> dict[str, float]:
        """Devices with a reading outside the limits, and the farthest such reading.

        A mean hides a reading: 24.0, 24.0 and 27.9 have a mean of 25.3. So each reading
        is held against the limits.
        """
        values = self.readings.values
        beyond = np.zeros(len(values))
        if low is not None:
            beyond = np.maximum(beyond, low - values)
        if high is not None:
            beyond = np.maximum(beyond, values - high)
        (outside,) = np.nonzero(beyond > 0)
        farthest: dict[int, int] = {}
        for at in outside.tolist():
            device = int(self.readings.devices[at])
            if device not in farthest or beyond[at] > beyond[farthest[device]]:
                farthest[device] = at
        return {
            self.devices[device]: float(values[farthest[device]])
            for device in sorted(farthest)
        }

    def without(self, devices: Iterable[str]) -> Lot:
        """The lot without some devices.

        Raises:
            UsageError: one of them is not in the lot.
        """
        gone = set(devices)
        if missing := sorted(gone - set(self.values)):
            raise UsageError(f"{self.name} has no device {missing[0]} to leave out")
        if not gone:
            return self
        stays = np.array([device not in gone for device in self.devices])
        kept = self.readings.chosen(stays[self.readings.devices])
        return replace(
            self,
            values={d: v for d, v in self.values.items() if d not in gone},
            readings=replace(kept, devices=(np.cumsum(stays) - 1)[kept.devices]),
            left_out=(*self.left_out, *(d for d in self.devices if d in gone)),
        )

    def chosen_limits(self, low: float | None, high: float | None) -> Limits:
        """The limits asked for, else those of the readings, if they agree.

        Raises:
            UsageError: readings were judged by different limits.
        """
        if low is not None or high is not None:
            return low, high
        if len(self.limits) > 1:
            raise UsageError(
                f"the readings of {self.name} were judged by different limits",
                hint="give --low and --high",
            )
        return next(iter(self.limits), (None, None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings as files give them.

    Attributes:
        names: devices.
        devices: of each reading, its index in ``names``.
        values: of each reading.
        times: of each reading, calendar, UTC, in one way of writing; empty for the
            order in which they stand.
    """

    names: Sequence[str]
    devices: Sequence[int]
    values: Sequence[float]
    times: Sequence[str] = field(default=())


def lot_of(readings: Series, *, name: str, quantity: str, unit: str) -> Lot:
    """A lot of readings: in the order of time, with the mean of each device.

    Args:
        readings: at least one.
        name: as tables and pictures call the lot.
        quantity: what was measured.
        unit: of all values.
    """
    codes = np.array(readings.devices, dtype=np.int64)
    values = np.array(readings.values, dtype=np.float64)
    if len(set(readings.times)) > 1:
        order = np.array(sorted(range(len(codes)), key=readings.times.__getitem__))
        codes, values = codes[order], values[order]
    # devices in the order of first reading
    _, first = np.unique(codes, return_index=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first))
    codes = rank[codes]
    names = np.empty(len(first), dtype=object)
    names[rank] = readings.names
    order = np.argsort(codes, kind="stable")
    ends = np.cumsum(np.bincount(codes)).tolist()
    together = values[order].tolist()
    means, start = {}, 0
    for device, end in zip(names.tolist(), ends, strict=True):
        # exact sums: the mean of equal readings is that reading
        means[device] = math.fsum(together[start:end]) / (end - start)
        start = end
    return Lot(
        name=name,
        quantity=quantity,
        unit=unit,
        values=means,
        readings=Readings(devices=codes, values=values),
    )


def require_comparable(first: Lot, second: Lot) -> None:
    """Two lots of one quantity and unit that share no device.

    Raises:
        UsageError: they are not such.
    """
    require_one(
        {first.unit, second.unit},
        f"{first.name} and {second.name} come in different units",
        "convert one of the files",
    )
    if shared := [device for device in second.values if device in first.values]:
        raise UsageError(
            f"both lots hold the same units: {len(shared)}, {shared[0]} among them",
            hint="a unit belongs to one lot; check which files you named",
        )


def require_one(found: set[str], what: str, hint: str) -> None:
    """No more than one of a kind.

    Raises:
        UsageError: there are more.
    """
    if len(found) > 1:
        names = ", ".join(repr(name) for name in sorted(found))
        raise UsageError(f"{what}: {names}", hint=hint)
