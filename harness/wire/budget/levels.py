"""Budget rows about levels and the current for conversions and copies."""

from __future__ import annotations

from harness.wire.budget.rows import BudgetRow
from harness.wire.circuit import Circuit
from harness.wire.electrical import (
    ResistorWindow,
    droop_v,
    low_level_v,
    parallel_ohm,
    parasite_level_v,
    pull_up_min_ohm,
    resistor_for_current_ohm,
    strong_pull_up_window,
)
from harness.wire.slots.time_slots import SlotFrames

LINE_MINIMUM_V = 2.8
"""Lowest pull-up supply in the data sheets seen (S1 S3)."""

DEVICE_SINK_MA, DEVICE_LOW_V = 4.0, 0.4
"""Every data sheet seen promises 0.4 V at 4 mA."""

DIVIDER = "V0 + (V - V0) Rs / (Rs + R)"


def level_rows(circuit: Circuit) -> list[BudgetRow]:
    """Low levels both ways, sink currents, and the idle line."""
    host = circuit.host
    sink_ohm = max(load.sink_ohm for load in circuit.devices) + circuit.series_ohm
    idle_v = circuit.supply_v - droop_v(
        leak_ua=circuit.leak_ua, pull_up_ohm=circuit.pull_up_ohm
    )
    return [
        BudgetRow(
            group="levels",
            name="host's low at the devices",
            value=low_level_v(
                supply_v=circuit.supply_v,
                pull_up_ohm=circuit.pull_up_ohm,
                stage_ohm=host.stage_ohm,
                stage_v=host.stage_v,
            ),
            unit="V",
            high=circuit.low_v,
            formula=f"{DIVIDER}, {host.name}",
            source="divider; limit of the device with the lowest threshold",
        ),
        BudgetRow(
            group="levels",
            name="device's low at the adapter",
            value=low_level_v(
                supply_v=circuit.supply_v,
                pull_up_ohm=circuit.pull_up_ohm,
                stage_ohm=sink_ohm,
            ),
            unit="V",
            high=circuit.adapter_low_v,
            formula=f"V Rd / (Rd + R), Rd = {sink_ohm:g} ohm with the series resistor",
            source="divider; 0.4 V at 4 mA taken as a resistance",
        ),
        BudgetRow(
            group="levels",
            name="pull-up for the devices' sink current",
            value=circuit.pull_up_ohm,
            unit="ohm",
            low=pull_up_min_ohm(
                supply_v=circuit.supply_v, low_v=DEVICE_LOW_V, sink_ma=DEVICE_SINK_MA
            ),
            formula="(V - 0.4 V) / 4 mA",
            source="S1 to S6; beyond it VOL is not promised",
            binding=False,
        ),
        BudgetRow(
            group="levels",
            name="idle line",
            value=idle_v,
            unit="V",
            low=max(circuit.high_v, LINE_MINIMUM_V),
            formula="V - N I R",
            source="Ohm's law; input loads of the data sheets",
        ),
    ]


def power_rows(circuit: Circuit, slots: SlotFrames) -> list[BudgetRow]:
    """What parasite-fed devices get in slots, and while they convert or copy."""
    if not circuit.parasites:
        return []
    settled_v = parasite_level_v(
        devices=circuit.parasites,
        pull_up_ohm=circuit.pull_up_ohm,
        supply_v=circuit.supply_v,
        high_us=slots.zero.high_us,
    )
    rows = [
        BudgetRow(
            group="power",
            name="parasite supply in endless write-0 slots",
            value=settled_v,
            unit="V",
            low=LINE_MINIMUM_V,
            formula="V - N q R / t_high",
            source="charge balance with the charge of S5",
            binding=False,
        )
    ]
    if busy_ma(circuit) > 0:
        rows += _busy_rows(circuit)
    return rows


def busy_ma(circuit: Circuit) -> float:
    """Current of all parasite-fed devices that convert or copy at once."""
    each_ma = max(
        (load.busy_ma for load in circuit.devices if load.parasite), default=0.0
    )
    return circuit.busy_at_once * each_ma


def _hold_v(circuit: Circuit) -> float:
    return max(
        load.hold_v for load in circuit.devices if load.parasite and load.busy_ma
    )


def strong_window(circuit: Circuit) -> ResistorWindow:
    """Strong pull-up resistors for this circuit."""
    host = circuit.host
    return strong_pull_up_window(
        supply_v=circuit.supply_v,
        pull_up_ohm=circuit.pull_up_ohm,
        current_ma=busy_ma(circuit),
        hold_v=_hold_v(circuit),
        stage_ohm=host.stage_ohm,
        stage_v=host.stage_v,
        sink_ma=host.sink_ma,
        low_v=circuit.low_v,
        switch_v=circuit.switch_v,
    )


def _busy_rows(circuit: Circuit) -> list[BudgetRow]:
    current_ma, hold_v = busy_ma(circuit), _hold_v(circuit)
    bound_ohm = resistor_for_current_ohm(
        supply_v=circuit.supply_v, hold_v=hold_v, current_ma=current_ma
    )
    rows = [
        BudgetRow(
            group="power",
            name="current of conversions and copies",
            value=current_ma,
            unit="mA",
            formula=f"{circuit.busy_at_once} at once x the largest of the kinds",
            source="S1 S2 S6",
        ),
        BudgetRow(
            group="power",
            name="pull-up alone for conversions and copies",
            value=circuit.pull_up_ohm,
            unit="ohm",
            high=bound_ohm,
            formula=f"(V - {hold_v:g} V) / {current_ma:g} mA",
            source="S6",
            binding=False,
        ),
    ]
    return rows + _strong_rows(circuit)


def _strong_rows(circuit: Circuit) -> list[BudgetRow]:
    window = strong_window(circuit)
    held = f"held {_hold_v(circuit):g} V, host's low {circuit.low_v:g} V"
    if circuit.strong_pull_up_ohm is None:
        ends = (("lowest", window.low_ohm), ("highest", window.high_ohm))
        note = "" if window.exists else "; there is none for this circuit"
        return [
            BudgetRow(
                group="power",
                name=f"strong pull-up, {end} that would do",
                value=value_ohm,
                unit="ohm",
                formula=f"both resistors against the host's stage and the current; {held}{note}",
                source="S6; divider",
            )
            for end, value_ohm in ends
        ]
    both_ohm = parallel_ohm(circuit.pull_up_ohm, circuit.strong_pull_up_ohm)
    host = circuit.host
    armed_v = low_level_v(
        supply_v=circuit.supply_v,
        pull_up_ohm=both_ohm,
        stage_ohm=host.stage_ohm,
        stage_v=host.stage_v,
    )
    return [
        BudgetRow(
            group="power",
            name="strong pull-up",
            value=circuit.strong_pull_up_ohm,
            unit="ohm",
            low=window.low_ohm,
            high=window.high_ohm,
            formula=f"window by {held}" + ("" if window.exists else ": empty"),
            source="S6; divider",
        ),
        BudgetRow(
            group="power",
            name="host's low while the strong pull-up is armed",
            value=armed_v,
            unit="V",
            high=circuit.low_v,
            formula=f"{DIVIDER} with R || Rstrong",
            source="divider",
        ),
        BudgetRow(
            group="power",
            name="host's sink current while armed",
            value=(circuit.supply_v - armed_v) / both_ohm * 1e3,
            unit="mA",
            high=host.sink_ma,
            formula="(V - Vlow) / (R || Rstrong)",
            source="Ohm's law",
        ),
    ]
