"""Budget rows about edges: rise, slot margins left, and what bounds them.

All bounds of the edges are linear in the pull-up for a given capacitance and linear
in the capacitance for a given pull-up, which is what turns them into the largest
pull-up, the longest cable and the largest number of devices (``_budget_reach``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.wire.budget.rows import BudgetRow
from harness.wire.circuit import Circuit
from harness.wire.electrical import (
    SLOT_CHARGE_NC,
    recharge_us,
    rise_budget_us,
    rise_us,
    round_trip_us,
)
from harness.wire.slots.time_slots import SlotFrames

RISE, CAPACITANCE, CABLE = (
    "rise to the adapter's threshold",
    "line capacitance",
    "cable",
)
"""Names of rows that a survey measures."""

RISE_FORMULA = "R C ln((V - V0) / (V - Vth))"


def rise_of(circuit: Circuit, threshold_v: float) -> float:
    """Rise of this circuit's line from its host's low level.

    The stage's offset stands for that level: its small ohmic part would shorten the
    rise a little.
    """
    return rise_us(
        pull_up_ohm=circuit.pull_up_ohm,
        capacitance_nf=circuit.capacitance_nf,
        supply_v=circuit.supply_v,
        threshold_v=threshold_v,
        start_v=circuit.host.stage_v,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeBound:
    """One bound on a rise: up to ``threshold_v`` within ``within_us``.

    Attributes:
        name: what is lost when it breaks.
        threshold_v: level to be crossed.
        within_us: time there is for it.
        recharges: True if the parasite capacitors must be refilled in it as well.
    """

    name: str
    threshold_v: float
    within_us: float
    recharges: bool = False


def edge_bounds(circuit: Circuit, slots: SlotFrames) -> tuple[EdgeBound, ...]:
    """All bounds on the rise at the chosen frames."""
    one, zero, limits = slots.one, slots.zero, slots.limits
    adapter_v = circuit.adapter_threshold_v
    return (
        EdgeBound(
            name="read sample",
            threshold_v=adapter_v,
            within_us=rise_budget_us(bit_us=one.bit_us, oversampling=one.oversampling),
        ),
        EdgeBound(
            name="write-1 low, rise included",
            threshold_v=circuit.high_v,
            within_us=(limits.write_1_low.high_us or math.inf) - one.low_us,
        ),
        EdgeBound(
            name="recovery after write-0",
            threshold_v=circuit.high_v,
            within_us=zero.high_us - (limits.recovery.low_us or 0.0),
        ),
        EdgeBound(
            name="recharge after write-0",
            threshold_v=circuit.high_v,
            within_us=zero.high_us,
            recharges=True,
        ),
    )


def edge_rows(circuit: Circuit, slots: SlotFrames) -> list[BudgetRow]:
    """Rise times and the slot margins that they leave."""
    return [
        _adapter_rise_row(circuit, slots),
        _capacitance_row(circuit),
        *_slot_rows(circuit, slots),
        *_parasite_rows(circuit, slots),
    ]


def _adapter_rise_row(circuit: Circuit, slots: SlotFrames) -> BudgetRow:
    value_us = rise_of(circuit, circuit.adapter_threshold_v)
    bound = edge_bounds(circuit, slots)[0]
    return BudgetRow(
        group="edges",
        name=RISE,
        value=value_us,
        unit="us",
        high=bound.within_us,
        half_width=_rise_doubt_us(circuit),
        formula=f"{RISE_FORMULA}, to be done 1/{slots.one.oversampling} bit before half a bit",
        source="RC; UM10204, 7.1",
    )


def _rise_doubt_us(circuit: Circuit) -> float:
    """Half the distance from the slowest to the fastest rise within the tolerances."""
    ends = []
    for sign in (-1.0, 1.0):
        ends.append(
            rise_us(
                pull_up_ohm=circuit.pull_up_ohm
                * (1 + sign * circuit.pull_up_tolerance),
                capacitance_nf=circuit.capacitance_nf
                * (1 + sign * circuit.capacitance_tolerance),
                supply_v=circuit.supply_v,
                threshold_v=circuit.adapter_threshold_v
                + sign * circuit.threshold_tolerance_v,
                start_v=circuit.host.stage_v,
            )
        )
    middle_us = rise_of(circuit, circuit.adapter_threshold_v)
    # the slow end lies farther off than the fast one
    return max(ends[1] - middle_us, middle_us - ends[0])


def _capacitance_row(circuit: Circuit) -> BudgetRow:
    return BudgetRow(
        group="edges",
        name=CAPACITANCE,
        value=circuit.capacitance_nf,
        unit="nF",
        half_width=circuit.capacitance_nf * circuit.capacitance_tolerance,
        formula="cable x C/m + devices + adapter",
        source="cable 50 to 56 pF/m (S31); adapter from memory",
    )


def _slot_rows(circuit: Circuit, slots: SlotFrames) -> list[BudgetRow]:
    limits, one, zero = slots.limits, slots.one, slots.zero
    to_device_us = rise_of(circuit, circuit.high_v)
    trip_us = round_trip_us(length_m=circuit.reach_m)
    read_us = limits.read_sample.high_us or math.inf
    zero_us = limits.write_0_low.high_us
    return [
        BudgetRow(
            group="edges",
            name="smallest margin of the frames themselves",
            value=slots.margin * 100,
            unit="%",
            low=0.0,
            formula=slots.reason,
            source="limits of the speed, adapter's clock error taken off",
            binding=False,
        ),
        BudgetRow(
            group="edges",
            name="write-1 low, rise included",
            value=one.low_us + to_device_us,
            unit="us",
            high=limits.write_1_low.high_us,
            formula=f"Tb + {RISE_FORMULA} to the devices' {circuit.high_v:.2f} V",
            source=f"RC; limit {limits.write_1_low.source}",
        ),
        BudgetRow(
            group="edges",
            name="write-0 low, rise included",
            value=zero.low_us + to_device_us,
            unit="us",
            high=zero_us,
            formula=f"(1+k) Tb + {RISE_FORMULA}",
            source=f"RC; limit {limits.write_0_low.source}",
        ),
        BudgetRow(
            group="edges",
            name="recovery left after write-0",
            value=zero.high_us - to_device_us,
            unit="us",
            low=limits.recovery.low_us,
            formula=f"high of {zero.byte:02X}h - {RISE_FORMULA}",
            source=f"RC; limit {limits.recovery.source}",
        ),
        BudgetRow(
            group="edges",
            name="read sample, cable delay off the window",
            value=one.sample_us(0)[1],
            unit="us",
            high=read_us - trip_us,
            formula="1.5 Tb + one step of the receiver <= window - 2 x 5 ns/m x radius",
            source=f"limit {limits.read_sample.source}; delay from memory",
        ),
    ]


def _parasite_rows(circuit: Circuit, slots: SlotFrames) -> list[BudgetRow]:
    parasites = circuit.parasites
    if not parasites:
        return []
    zero, limits = slots.zero, slots.limits
    left_us = zero.high_us - rise_of(circuit, circuit.high_v)
    reset_us = (limits.reset_high.low_us or 0.0) - (
        (limits.presence_wait.high_us or 0.0) + (limits.presence_low.high_us or 0.0)
    )
    need_us = recharge_us(devices=parasites, pull_up_ohm=circuit.pull_up_ohm)
    return [
        BudgetRow(
            group="power",
            name="recharge in back-to-back write-0 slots",
            value=need_us,
            unit="us",
            high=left_us,
            formula=f"N q R / 1 V, N = {parasites}, q = {SLOT_CHARGE_NC:.3f} nC; the high "
            "time that the rise leaves",
            source="S5; first-order model",
            binding=False,
        ),
        BudgetRow(
            group="power",
            name="recharge after a reset",
            value=need_us,
            unit="us",
            high=reset_us,
            formula="N q R / 1 V; reset high less the longest wait and presence pulse",
            source="S21, arithmetic",
        ),
    ]
