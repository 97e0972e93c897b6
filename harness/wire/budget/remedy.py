"""What would bring a bus within its budget: slots, pull-up, a split, or two of them.

Every remedy is tried by a budget of its own: what is named here holds every binding
limit by the same arithmetic that found the bus beyond one. What stays a caution is said.

Resistors are of the E24 series (IEC 60063); the split shares devices and cable evenly,
an adapter for each branch.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from harness.wire.budget.rows import RowVerdict
from harness.wire.budget.table import Budget, budget, longest_cable_m, most_devices
from harness.wire.circuit import Circuit, DeviceLoad
from harness.wire.clock_grid import ClockGrid
from harness.wire.slots.time_slots import SlotFrames, slot_candidates

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62,
        68, 75, 82, 91)  # fmt: skip

_LOWEST_OHM, _HIGHEST_OHM = 100, 10_000
"""Pull-ups worth trying: below, no host's stage holds the line low."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """The bus as several, each with an adapter of its own.

    Attributes:
        branches: how many.
        devices: most devices of a branch.
        cable_m: cable of each.
        circuit: the heaviest branch.
    """

    branches: int
    devices: int
    cable_m: float
    circuit: Circuit


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedies:
    """What helps, each by itself; None where nothing of its kind does.

    Attributes:
        slots: the fastest slots that hold, everything else as it is.
        pull_up_ohm: the lowest and the highest resistor that hold.
        split: the fewest branches that hold.
        both: slots and the range of pull-ups that hold together; only where none of
            the others does.
    """

    slots: SlotFrames | None = None
    pull_up_ohm: tuple[float, float] | None = None
    split: Split | None = None
    both: tuple[SlotFrames, tuple[float, float]] | None = None

    @property
    def any(self) -> bool:
        """True if anything helps."""
        return any((self.slots, self.pull_up_ohm, self.split, self.both))


def holds(found: Budget) -> bool:
    """True if no binding limit is broken."""
    return found.verdict is not RowVerdict.BROKEN


def fitting_slots(circuit: Circuit, grid: ClockGrid) -> SlotFrames | None:
    """The fastest slots at which the budget of a circuit holds, or None.

    Slots that leave no caution about recharging parasite-fed devices are preferred.
    """
    first = None
    for slots in slot_candidates(grid):
        found = budget(circuit, slots)
        if not holds(found):
            continue
        if not _recharge_is_short(found):
            return slots
        first = first or slots
    return first


def _recharge_is_short(found: Budget) -> bool:
    return any(
        row.name.startswith("recharge") and row.verdict is RowVerdict.CAUTION
        for row in found.rows
    )


def pull_ups(circuit: Circuit, slots: SlotFrames) -> tuple[float, float] | None:
    """Lowest and highest resistor of the series at which the budget holds, or None."""
    found = [
        ohm
        for ohm in _series()
        if holds(budget(replace(circuit, pull_up_ohm=ohm), slots))
    ]
    return (found[0], found[-1]) if found else None


def _series() -> Iterator[float]:
    for decade in (10, 100, 1000):
        for step in _E24:
            ohm = float(step * decade)
            if _LOWEST_OHM <= ohm <= _HIGHEST_OHM:
                yield ohm


def split(circuit: Circuit, slots: SlotFrames) -> Split | None:
    """The fewest branches of equal size that hold, or None if even single devices do not."""
    for branches in range(2, circuit.count + 1):
        parts = list(_branches(circuit, branches))
        if all(holds(budget(part, slots)) for part in parts):
            heaviest = max(parts, key=lambda part: part.capacitance_nf)
            return Split(
                branches=branches,
                devices=max(part.count for part in parts),
                cable_m=circuit.cable_m / branches,
                circuit=heaviest,
            )
    return None


def _branches(circuit: Circuit, branches: int) -> Iterator[Circuit]:
    """Devices dealt out by kind; those that ask for the highest level sit together."""
    single = [
        replace(load, count=1)
        for load in sorted(circuit.devices, key=lambda load: (load.high_v, load.name))
        for _ in range(load.count)
    ]
    size = math.ceil(len(single) / branches)
    for start in range(0, len(single), size):
        of_branch = single[start : start + size]
        loads = _gathered(of_branch)
        working = sum(d.count for d in loads if d.parasite and d.busy_ma)
        yield replace(
            circuit,
            devices=loads,
            cable_m=circuit.cable_m / branches,
            radius_m=None,
            busy_at_once=min(circuit.busy_at_once, max(1, working)),
        )


def _gathered(single: list[DeviceLoad]) -> tuple[DeviceLoad, ...]:
    counts: dict[DeviceLoad, int] = {}
    for load in single:
        counts[load] = counts.get(load, 0) + 1
    return tuple(replace(load, count=count) for load, count in counts.items())


def remedies(circuit: Circuit, grid: ClockGrid, slots: SlotFrames) -> Remedies:
    """Everything that would bring a circuit within its budget.

    Args:
        circuit: the bus as built.
        grid: clock of the adapter, for other slots.
        slots: the slots that are in use.
    """
    found = Remedies(
        slots=fitting_slots(circuit, grid),
        pull_up_ohm=pull_ups(circuit, slots),
        split=split(circuit, slots),
    )
    if found.slots or found.pull_up_ohm:
        return found
    for other in slot_candidates(grid):
        if (ohm := pull_ups(circuit, other)) is not None:
            return replace(found, both=(other, ohm))
    return found


def reach(circuit: Circuit, slots: SlotFrames) -> tuple[int, float]:
    """The most devices of this mix and the longest cable that the line would bear."""
    devices, _ = most_devices(circuit, slots)
    length_m, _ = longest_cable_m(circuit, slots)
    return (math.floor(devices) if math.isfinite(devices) else circuit.count, length_m)
