"""Budget rows about reach: most devices, longest cable, pull-up range, topology.

These rows restate what others judge, or are guidance; only the radius binds.
"""

from __future__ import annotations

import math

from harness.wire.budget.edges import CABLE, EdgeBound, edge_bounds
from harness.wire.budget.levels import LINE_MINIMUM_V
from harness.wire.budget.rows import BudgetRow
from harness.wire.circuit import (
    LINEAR_STUB_M,
    RADIUS_M,
    SOLDERED_WEIGHT_M,
    STUB_SERIES_OHM,
    WEIGHT_M,
    Circuit,
    Topology,
    weight_m,
)
from harness.wire.electrical import (
    CABLE_DELAY_US_PER_M,
    SLOT_CHARGE_NC,
    cable_length_m,
    pull_up_for_level_ohm,
    rise_us,
)
from harness.wire.slots.time_slots import SlotFrames

Bound = tuple[float, str]
"""A largest or smallest value, and what sets it."""


def reach_rows(circuit: Circuit, slots: SlotFrames) -> list[BudgetRow]:
    """The largest bus of this kind, and what bounds it."""
    return [
        _cable_row(circuit, slots),
        _devices_row(circuit, slots),
        _pull_up_row(circuit, slots),
        *_topology_rows(circuit),
    ]


def _unit_rise_us(circuit: Circuit, bound: EdgeBound) -> float:
    """Rise to the bound's threshold per ohm and nF."""
    return rise_us(
        pull_up_ohm=1.0,
        capacitance_nf=1.0,
        supply_v=circuit.supply_v,
        threshold_v=bound.threshold_v,
        start_v=circuit.host.stage_v,
    )


def _recharge_us_per_ohm(circuit: Circuit, bound: EdgeBound) -> float:
    return circuit.parasites * SLOT_CHARGE_NC * 1e-3 if bound.recharges else 0.0


def _room_us(bound: EdgeBound) -> float:
    return max(0.0, bound.within_us)


def largest_capacitance_nf(circuit: Circuit, slots: SlotFrames) -> Bound:
    """The largest capacitance at this pull-up; zero where nothing helps."""
    found = []
    for bound in edge_bounds(circuit, slots):
        per_nf = _unit_rise_us(circuit, bound) * circuit.pull_up_ohm
        left_us = _room_us(bound) - circuit.pull_up_ohm * _recharge_us_per_ohm(
            circuit, bound
        )
        found.append((max(0.0, left_us) / per_nf if per_nf else math.inf, bound.name))
    return min(found)


def longest_cable_m(circuit: Circuit, slots: SlotFrames) -> Bound:
    """The longest cable for these devices and this pull-up."""
    capacitance_nf, limited_by = largest_capacitance_nf(circuit, slots)
    by_edges_m = (
        math.inf
        if math.isinf(capacitance_nf)
        else cable_length_m(
            capacitance_nf=capacitance_nf,
            cable_pf_per_m=circuit.cable_pf_per_m,
            device_pf=circuit.device_pf,
            adapter_pf=circuit.adapter_pf,
        )
    )
    window_us = slots.limits.read_sample.high_us or math.inf
    by_delay_m = (window_us - slots.one.sample_us(0)[1]) / (2 * CABLE_DELAY_US_PER_M)
    by_weight_m = max(0.0, WEIGHT_M - circuit.count * SOLDERED_WEIGHT_M)
    return min(
        (by_edges_m, limited_by),
        (max(0.0, by_delay_m), "cable delay in the read window"),
        (by_weight_m, "weight of 200 m with a resistor"),
    )


def most_devices(circuit: Circuit, slots: SlotFrames) -> Bound:
    """How many devices of this mix the line bears, as a real number."""
    found = []
    for bound in edge_bounds(circuit, slots):
        unit_us = _unit_rise_us(circuit, bound) * circuit.pull_up_ohm
        bare_nf = circuit.capacitance_nf - circuit.device_pf * 1e-3
        per_mix_us = unit_us * circuit.device_pf * 1e-3 + (
            circuit.pull_up_ohm * _recharge_us_per_ohm(circuit, bound)
        )
        left_us = max(0.0, _room_us(bound) - unit_us * bare_nf)
        found.append((left_us / per_mix_us if per_mix_us else math.inf, bound.name))
    droop_v = circuit.leak_ua * 1e-6 * circuit.pull_up_ohm
    headroom_v = max(0.0, circuit.supply_v - max(circuit.high_v, LINE_MINIMUM_V))
    found.append((headroom_v / droop_v if droop_v else math.inf, "idle line"))
    mixes, limited_by = min(found)
    return mixes * circuit.count, limited_by


def pull_up_range_ohm(circuit: Circuit, slots: SlotFrames) -> tuple[Bound, Bound]:
    """The smallest and the largest pull-up that work, each with what sets it."""
    lowest = max(
        (
            pull_up_for_level_ohm(
                supply_v=circuit.supply_v,
                stage_ohm=circuit.host.stage_ohm,
                level_v=circuit.low_v,
                stage_v=circuit.host.stage_v,
            ),
            "host's low at the devices",
        ),
        (
            pull_up_for_level_ohm(
                supply_v=circuit.supply_v,
                stage_ohm=max(load.sink_ohm for load in circuit.devices)
                + circuit.series_ohm,
                level_v=circuit.adapter_low_v,
            ),
            "device's low at the adapter",
        ),
    )
    found = []
    for bound in edge_bounds(circuit, slots):
        per_ohm_us = _unit_rise_us(
            circuit, bound
        ) * circuit.capacitance_nf + _recharge_us_per_ohm(circuit, bound)
        found.append(
            (_room_us(bound) / per_ohm_us if per_ohm_us else math.inf, bound.name)
        )
    headroom_v = max(0.0, circuit.supply_v - max(circuit.high_v, LINE_MINIMUM_V))
    leak_a = circuit.leak_ua * 1e-6
    found.append((headroom_v / leak_a if leak_a else math.inf, "idle line"))
    return lowest, min(found)


def _cable_row(circuit: Circuit, slots: SlotFrames) -> BudgetRow:
    longest_m, limited_by = longest_cable_m(circuit, slots)
    return BudgetRow(
        group="reach",
        name=CABLE,
        value=circuit.cable_m,
        unit="m",
        high=longest_m,
        half_width=circuit.cable_m * circuit.capacitance_tolerance,
        formula=f"longest: (t / (R ln) - devices - adapter) / C per m; set by {limited_by}",
        source="RC; S22 S29",
        binding=False,
    )


def _devices_row(circuit: Circuit, slots: SlotFrames) -> BudgetRow:
    most, limited_by = most_devices(circuit, slots)
    return BudgetRow(
        group="reach",
        name="devices of this mix",
        value=circuit.count,
        unit="devices",
        high=most if math.isinf(most) else math.floor(most + 1e-9),
        formula=f"largest N that keeps rise, recovery, recharge and idle line; set by {limited_by}",
        source="RC; S5",
        binding=False,
    )


def _pull_up_row(circuit: Circuit, slots: SlotFrames) -> BudgetRow:
    (low_ohm, low_by), (high_ohm, high_by) = pull_up_range_ohm(circuit, slots)
    return BudgetRow(
        group="reach",
        name="pull-up",
        value=circuit.pull_up_ohm,
        unit="ohm",
        low=low_ohm,
        high=high_ohm,
        formula=f"lowest set by {low_by}, highest by {high_by}",
        source="RC; divider",
        binding=False,
    )


def _topology_rows(circuit: Circuit) -> list[BudgetRow]:
    weight = weight_m(cable_m=circuit.cable_m, soldered=circuit.count)
    rows = [
        BudgetRow(
            group="reach",
            name="radius",
            value=circuit.reach_m,
            unit="m",
            high=RADIUS_M,
            formula="wire to the farthest device",
            source="S29",
        ),
        BudgetRow(
            group="reach",
            name="weight",
            value=weight,
            unit="m",
            high=WEIGHT_M,
            formula="all wire + 0.5 m a soldered device",
            source="S22, from memory",
            binding=False,
        ),
    ]
    if circuit.topology is Topology.LINEAR:
        rows.append(
            BudgetRow(
                group="reach",
                name="longest stub of a linear bus",
                value=circuit.stub_m,
                unit="m",
                high=LINEAR_STUB_M,
                formula="longer stubs make it a stubbed bus",
                source="S29",
                binding=False,
            )
        )
    else:
        rows.append(
            BudgetRow(
                group="reach",
                name=f"series resistor at each branch, {circuit.topology} bus",
                value=circuit.series_ohm,
                unit="ohm",
                low=STUB_SERIES_OHM[0],
                high=STUB_SERIES_OHM[1],
                formula="damps reflections; a star is the least reliable of all",
                source="S29 S30",
                binding=False,
            )
        )
    return rows
