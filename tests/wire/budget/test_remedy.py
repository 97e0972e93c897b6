"""What brings a bus within its budget: each remedy is held against the budget itself."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.budget.remedy import Remedies, fitting_slots, holds, remedies
from harness.wire.budget.table import budget
from harness.wire.circuit import Circuit, load_of
from harness.wire.clock_grid import GRIDS
from harness.wire.electrical import rise_us
from harness.wire.slots.frames import choose_slots, slot_candidates, slot_margins

GRID = GRIDS["fractional-divider"]
SLOTS = choose_slots(GRID)


def bus(
    *,
    pull_up_ohm: float = 4700,
    cable_m: float = 20,
    count: int = 8,
    family: int = 0x28,
) -> Circuit:
    """Thermometers with a supply of their own, or other devices, on one line."""
    load = load_of(family, count=count, supply_v=5.0, parasite=family != 0x28)
    return Circuit(
        supply_v=5.0, pull_up_ohm=pull_up_ohm, cable_m=cable_m, devices=(load,)
    )


def test_a_field_case_of_a_slow_line() -> None:
    """1.5 nF with 4.7 kohm was unreliable and with 1.5 kohm good (forum thread "Ds18s20 and cable capacitance")."""
    circuit = bus(cable_m=30, count=1)
    assert circuit.capacitance_nf == pytest.approx(1.5, abs=0.05)
    assert not holds(budget(circuit, SLOTS))
    found = remedies(circuit, GRID, SLOTS)
    assert found.pull_up_ohm is not None
    low, high = found.pull_up_ohm
    assert low <= 1500 <= high < 4700


def test_largest_pull_up_by_hand() -> None:
    """R C ln((V - V0) / (V - Vth)) against the recovery of the slots, worked by hand."""
    circuit = bus(cable_m=40, count=4)
    found = remedies(circuit, GRID, SLOTS)
    assert found.pull_up_ohm is not None
    room_us = SLOTS.zero.high_us - 5.0
    per_ohm = rise_us(
        pull_up_ohm=1, capacitance_nf=circuit.capacitance_nf, supply_v=5.0,
        threshold_v=2.2, start_v=circuit.host.stage_v,
    )  # fmt: skip
    largest = room_us / per_ohm
    assert found.pull_up_ohm[1] <= largest < 1.15 * found.pull_up_ohm[1]


@pytest.mark.parametrize("kind", ["fractional-divider", "integer-divider", "unknown"])
def test_candidates_keep_every_limit(kind: str) -> None:
    """No slot is offered that breaks a published limit, the clock's error included."""
    grid = GRIDS[kind]
    found = list(slot_candidates(grid))
    assert found
    lengths = [slots.slot_us for slots in found]
    assert lengths == pytest.approx(sorted(lengths))
    for slots in found:
        smallest = min(slot_margins(slots.one, slots.zero, slots.limits).values())
        assert smallest - grid.tolerance_ppm * 1e-6 >= 0.01 - 1e-9


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    st.sampled_from([1000.0, 2200.0, 4700.0]),
    st.floats(0, 120),
    st.integers(1, 40),
    st.sampled_from([0x01, 0x28, 0x2D, 0x3A]),
)
def test_every_remedy_holds(
    pull_up_ohm: float, cable_m: float, count: int, family: int
) -> None:
    """What is named brings the bus within limits by the budget's own arithmetic."""
    circuit = bus(pull_up_ohm=pull_up_ohm, cable_m=cable_m, count=count, family=family)
    found = remedies(circuit, GRID, SLOTS)
    if found.slots is not None:
        assert holds(budget(circuit, found.slots))
    for ohm in found.pull_up_ohm or ():
        assert holds(budget(replace(circuit, pull_up_ohm=ohm), SLOTS))
    if found.split is not None:
        assert holds(budget(found.split.circuit, SLOTS))
        assert found.split.branches * found.split.devices >= count
        assert found.split.cable_m * found.split.branches == pytest.approx(cable_m)
    if found.both is not None:
        slots, ohms = found.both
        for ohm in ohms:
            assert holds(budget(replace(circuit, pull_up_ohm=ohm), slots))


def test_slower_slots_are_slower_only_where_needed() -> None:
    """A bus that holds keeps its slots; a heavier one gets longer ones."""
    assert fitting_slots(bus(cable_m=1, count=1), GRID) is not None
    light, heavy = (fitting_slots(bus(cable_m=length_m), GRID) for length_m in (1, 30))
    assert light is not None
    assert heavy is not None
    assert light.slot_us <= heavy.slot_us


def test_nothing_helps_a_hopeless_bus() -> None:
    """Two kilometres: said so instead of invented."""
    assert not holds(budget(bus(cable_m=2000, count=1), SLOTS))
    assert Remedies().any is False
