"""The bus as a circuit, from what the fixture declares."""

from __future__ import annotations

from collections import Counter

from harness.plans.schema.fixture import Fixture
from harness.wire.budget.remedy import fitting_slots
from harness.wire.circuit import Circuit, DeviceLoad, Topology, load_of
from harness.wire.clock_grid import ClockGrid, grid_of_kind
from harness.wire.slots.frames import SlotFrames, choose_slots

_UNKNOWN_FAMILY = 0x00
"""No device has this code: the budget takes its most cautious figures."""


def circuit_of(fixture: Fixture, *, busy_at_once: int | None = None) -> Circuit:
    """The declared line with a load for each socket.

    Args:
        fixture: the fixture; a socket without a family counts with cautious figures.
        busy_at_once: parasite-fed devices that convert together; all of them if None.
    """
    line, power = fixture.line, fixture.power
    kinds = Counter(
        (socket.expect.family_code or _UNKNOWN_FAMILY, socket.expect.supply)
        for socket in fixture.sockets
    ) or Counter([(_UNKNOWN_FAMILY, "external")])
    loads = tuple(
        load_of(
            family,
            count=count,
            supply_v=line.supply_v,
            parasite=supply == "parasite" or not _has_supply_pin(family),
        )
        for (family, supply), count in sorted(kinds.items())
    )
    return Circuit(
        supply_v=line.supply_v,
        pull_up_ohm=line.pull_up_ohm,
        cable_m=line.cable_m,
        cable_pf_per_m=line.cable_pf_per_m,
        devices=loads,
        topology=Topology(line.topology),
        radius_m=line.radius_m,
        stub_m=line.stub_m,
        series_ohm=line.series_ohm,
        busy_at_once=busy_at_once or max(1, _parasites_that_work(loads)),
        strong_pull_up_ohm=power.strong_pull_up_ohm if power else None,
    )


def _has_supply_pin(family: int) -> bool:
    return family in {0x10, 0x22, 0x28, 0x3B, 0x42}


def _parasites_that_work(loads: tuple[DeviceLoad, ...]) -> int:
    return sum(load.count for load in loads if load.parasite and load.busy_ma)


def grid_of(fixture: Fixture) -> ClockGrid:
    """Clock grid of the declared adapter; an unknown one without a port to ask."""
    adapter = fixture.adapter
    kind = "unknown" if adapter.kind == "auto" else adapter.kind
    return grid_of_kind(kind, adapter.clock_tolerance_ppm)


def slots_of(fixture: Fixture, grid: ClockGrid) -> SlotFrames:
    """The slots that the fixture asks for; the same for a run and for the budget.

    Args:
        fixture: the fixture.
        grid: the adapter's clock.
    """
    wanted = fixture.adapter.slots
    fitting = None
    if wanted == "by-budget":
        fitting = fitting_slots(circuit_of(fixture), grid)
    return fitting or choose_slots(grid, fast=wanted == "fast")
