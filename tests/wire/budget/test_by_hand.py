"""Every row of a budget by plain arithmetic, for two buses that have little in common."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from harness.wire.budget.levels import busy_ma
from harness.wire.budget.remedy import (
    _branches,
    _series,
    fitting_slots,
    holds,
    pull_ups,
    reach,
    remedies,
    split,
)
from harness.wire.budget.table import BudgetRow, Measured, RowVerdict, budget, compare
from harness.wire.circuit import (
    OPEN_DRAIN,
    Circuit,
    DeviceLoad,
    HostStage,
    Topology,
    load_of,
    weight_m,
)
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import SlotFrames, choose_slots

GRID = GRIDS["fractional-divider"]
SLOTS = choose_slots(GRID)
STAGE = HostStage(name="stage", stage_ohm=6.0, stage_v=0.05, sink_ma=90.0)
KINDS = (
    DeviceLoad(
        name="a", count=3, input_pf=30, leak_ua=4, low_v=0.6, high_v=2.4,
        busy_ma=1.5, hold_v=3.0,
    ),
    DeviceLoad(
        name="b", count=2, input_pf=90, leak_ua=50, low_v=0.4, high_v=3.1,
        parasite=False, busy_ma=7.0, sink_ohm=140,
    ),
    DeviceLoad(
        name="c", count=1, input_pf=110, leak_ua=6, low_v=0.5, high_v=2.2,
        busy_ma=0.8, hold_v=2.9,
    ),
)  # fmt: skip
MIXED = Circuit(
    supply_v=5.2, pull_up_ohm=1800, cable_m=14, cable_pf_per_m=52, devices=KINDS,
    host=STAGE, adapter_pf=33, adapter_threshold_v=1.4, adapter_low_v=0.75,
    topology=Topology.STUBBED, radius_m=9, stub_m=2, series_ohm=120, busy_at_once=2,
    strong_pull_up_ohm=180, switch_v=0.2,
)  # fmt: skip
PLAIN = Circuit(
    supply_v=4.8, pull_up_ohm=2700, cable_m=11, stub_m=2.5,
    devices=(replace(KINDS[1], count=4, high_v=2.1, leak_ua=3),),
)  # fmt: skip
NC = 30 / 72
"""Charge a slot takes from a parasite-fed device (data sheet DS2401 p. 2)."""

Row = tuple[float, float | None, float | None]
"""A value and its limits."""


def rise(circuit: Circuit, to_v: float, nf: float, ohm: float) -> float:
    """R C ln((V - V0) / (V - Vth)) in us."""
    share = (circuit.supply_v - circuit.host.stage_v) / (circuit.supply_v - to_v)
    return ohm * nf * 1e-3 * math.log(share)


def edges(circuit: Circuit, slots: SlotFrames) -> list[tuple[float, float, bool]]:
    """Threshold, time until then, and whether the devices recharge in it."""
    bit_us = 1e6 / slots.baud
    zeros = 8 - slots.write_0_byte.bit_count()
    high_us = (8 - zeros + slots.stop_bits) * bit_us
    high_v = max(load.high_v for load in circuit.devices)
    return [
        (circuit.adapter_threshold_v, bit_us * (0.5 - 1 / 16), False),
        (high_v, 15 - bit_us, False),
        (high_v, high_us - 5, False),
        (high_v, high_us, True),
    ]


def by_hand(circuit: Circuit, slots: SlotFrames) -> dict[str, Row]:
    """Value and limits of each row, S1: slots of 65 us, write-0 60 to 120 us, recovery 5 us."""
    loads, host = circuit.devices, circuit.host
    v, ohm = circuit.supply_v, circuit.pull_up_ohm
    count = sum(load.count for load in loads)
    fed = sum(load.count for load in loads if load.parasite)
    pf = sum(load.count * load.input_pf for load in loads)
    cable_pf = circuit.cable_m * circuit.cable_pf_per_m
    nf = (cable_pf + pf + circuit.adapter_pf) / 1000
    leak_a = sum(load.count * load.leak_ua for load in loads) * 1e-6
    low_v = min(load.low_v for load in loads)
    high_v = max(load.high_v for load in loads)
    idle_v = max(high_v, 2.8)
    bit_us = 1e6 / slots.baud
    zeros = 8 - slots.write_0_byte.bit_count()
    high_us = (8 - zeros + slots.stop_bits) * bit_us
    up_us = rise(circuit, high_v, nf, ohm)
    sink_ohm = max(load.sink_ohm for load in loads) + circuit.series_ohm
    radius_m = circuit.cable_m if circuit.radius_m is None else circuit.radius_m
    sample_us = bit_us * (1.5 + 1 / 16)
    rows: dict[str, Row] = {
        "rise to the adapter's threshold": (
            rise(circuit, circuit.adapter_threshold_v, nf, ohm), None, bit_us * 7 / 16,
        ),
        "line capacitance": (nf, None, None),
        "smallest margin of the frames themselves": (slots.margin * 100, 0.0, None),
        "write-1 low, rise included": (bit_us + up_us, None, 15.0),
        "write-0 low, rise included": ((1 + zeros) * bit_us + up_us, None, 120.0),
        "recovery left after write-0": (high_us - up_us, 5.0, None),
        "read sample, cable delay off the window": (
            sample_us, None, 15 - 2 * 0.005 * radius_m,
        ),
        "host's low at the devices": (
            host.stage_v + (v - host.stage_v) * host.stage_ohm / (host.stage_ohm + ohm),
            None, low_v,
        ),
        "device's low at the adapter": (
            v * sink_ohm / (sink_ohm + ohm), None, circuit.adapter_low_v,
        ),
        "pull-up for the devices' sink current": (ohm, (v - 0.4) / 0.004, None),
        "idle line": (v - leak_a * ohm, idle_v, None),
        "radius": (radius_m, None, 750.0),
        "weight": (circuit.cable_m + 0.5 * count, None, 200.0),
    }  # fmt: skip
    busy = [load for load in loads if load.parasite and load.busy_ma]
    if fed:
        need_us = fed * NC * ohm / 1000
        rows |= {
            "recharge in back-to-back write-0 slots": (need_us, None, high_us - up_us),
            # 480 us after a reset, less 60 us of wait and 240 us of presence
            "recharge after a reset": (need_us, None, 180.0),
            "parasite supply in endless write-0 slots": (
                v - fed * NC * ohm / high_us / 1000, 2.8, None,
            ),
        }  # fmt: skip
    if busy:
        current = circuit.busy_at_once * max(load.busy_ma for load in busy) / 1000
        hold_v = max(load.hold_v for load in busy)
        rows |= {
            "current of conversions and copies": (current * 1000, None, None),
            "pull-up alone for conversions and copies": (
                ohm, None, (v - hold_v) / current,
            ),
        }  # fmt: skip
        # both resistors: to the lowest low within the stage's current; less the pull-up
        both = max(
            host.stage_ohm * (v - low_v) / (low_v - host.stage_v),
            (v - low_v) / host.sink_ma * 1000,
        )
        lowest = 1 / (1 / both - 1 / ohm)
        highest = (v - circuit.switch_v - hold_v) / (current - (v - hold_v) / ohm)
        strong = circuit.strong_pull_up_ohm
        if strong is None:
            rows["strong pull-up, lowest that would do"] = (lowest, None, None)
            rows["strong pull-up, highest that would do"] = (highest, None, None)
        else:
            pair = 1 / (1 / strong + 1 / ohm)
            armed = host.stage_v + (v - host.stage_v) / (1 + pair / host.stage_ohm)
            rows["strong pull-up"] = (strong, lowest, highest)
            rows["host's low while the strong pull-up is armed"] = (armed, None, low_v)
            rows["host's sink current while armed"] = (
                (v - armed) / pair * 1000, None, host.sink_ma,
            )  # fmt: skip
    if circuit.topology is Topology.LINEAR:
        rows["longest stub of a linear bus"] = (circuit.stub_m, None, 3.0)
    else:
        name = f"series resistor at each branch, {circuit.topology} bus"
        rows[name] = (circuit.series_ohm, 100.0, 150.0)
    return rows | _largest(circuit, slots)


def _largest(circuit: Circuit, slots: SlotFrames) -> dict[str, Row]:
    """The largest bus of the kind: by each edge, the idle line, delay and weight."""
    v, ohm = circuit.supply_v, circuit.pull_up_ohm
    loads, host = circuit.devices, circuit.host
    count = sum(load.count for load in loads)
    fed = sum(load.count for load in loads if load.parasite)
    pf = sum(load.count * load.input_pf for load in loads)
    nf = (circuit.cable_m * circuit.cable_pf_per_m + pf + circuit.adapter_pf) / 1000
    leak_a = sum(load.count * load.leak_ua for load in loads) * 1e-6
    low_v = min(load.low_v for load in loads)
    idle_v = max(2.8, *(load.high_v for load in loads))
    sink_ohm = max(load.sink_ohm for load in loads) + circuit.series_ohm
    sample_us = 1e6 / slots.baud * (1.5 + 1 / 16)
    rows: dict[str, Row] = {}
    nfs, mixes, ohms = [], [], []
    for to_v, within_us, recharges in edges(circuit, slots):
        unit = rise(circuit, to_v, 1.0, 1.0)
        charge = fed * NC / 1000 if recharges else 0.0
        room = max(0.0, within_us)
        nfs.append(max(0.0, room - ohm * charge) / (unit * ohm))
        bare = nf - pf / 1000
        mixes.append(
            max(0.0, room - unit * ohm * bare) / (unit * ohm * pf / 1000 + ohm * charge)
        )
        ohms.append(room / (unit * nf + charge))
    mixes.append((v - idle_v) / (leak_a * ohm))
    ohms.append((v - idle_v) / leak_a)
    longest = min(
        max(0, min(nfs) * 1000 - pf - circuit.adapter_pf) / circuit.cable_pf_per_m,
        (15 - sample_us) / 0.01,
        200 - 0.5 * count,
    )
    rows["cable"] = (circuit.cable_m, None, longest)
    rows["devices of this mix"] = (count, None, math.floor(min(mixes) * count))
    rows["pull-up"] = (
        ohm,
        max(
            host.stage_ohm * (v - low_v) / (low_v - host.stage_v),
            sink_ohm * (v - circuit.adapter_low_v) / circuit.adapter_low_v,
        ),
        min(ohms),
    )
    return rows


CIRCUITS = {
    "mixed": MIXED,
    "plain": PLAIN,
    "nothing switched": replace(MIXED, strong_pull_up_ohm=None, topology=Topology.STAR),
    "leaky": replace(PLAIN, devices=(replace(PLAIN.devices[0], leak_ua=90),)),
    "parasites": replace(PLAIN, devices=(replace(KINDS[0], count=14),), cable_m=1.0),
    "long": replace(
        PLAIN, devices=(DeviceLoad(name="d", input_pf=1, leak_ua=0.1, low_v=0.5, high_v=0.6),),
        pull_up_ohm=350, cable_pf_per_m=5, adapter_low_v=1.9,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CIRCUITS)
def test_every_row_by_hand(name: str) -> None:
    """Value and limits of each row, and no row besides."""
    circuit = CIRCUITS[name]
    found = {row.name: (row.value, row.low, row.high) for row in budget(circuit, SLOTS).rows}  # fmt: skip
    expected = by_hand(circuit, SLOTS)
    busy = {n for n in found if "conver" in n or "strong" in n or "armed" in n}
    if not busy_ma(circuit):
        expected = {n: row for n, row in expected.items() if n not in busy}
    assert set(found) == set(expected)
    for row, (value, low, high) in expected.items():
        assert found[row][0] == pytest.approx(value), row
        assert found[row][1] == (None if low is None else pytest.approx(low)), row
        assert found[row][2] == (None if high is None else pytest.approx(high)), row


def test_what_binds_and_what_is_guidance() -> None:
    """Limits of data sheets bind; what restates them, or is from memory, is guidance."""
    guidance = {
        row.name
        for circuit in CIRCUITS.values()
        for row in budget(circuit, SLOTS).rows
        if not row.binding
    }
    assert guidance == {
        "smallest margin of the frames themselves",
        "recharge in back-to-back write-0 slots",
        "pull-up for the devices' sink current",
        "parasite supply in endless write-0 slots",
        "pull-up alone for conversions and copies",
        "cable", "devices of this mix", "pull-up", "weight",
        "longest stub of a linear bus",
        "series resistor at each branch, stubbed bus",
        "series resistor at each branch, star bus",
    }  # fmt: skip


def test_doubts_by_the_tolerances() -> None:
    """5 % of pull-up, 20 % of capacitance, 0.2 V of threshold: the slow end lies farther off."""
    rows = budget(MIXED, SLOTS)
    nf = MIXED.capacitance_nf
    middle, slow = rise(MIXED, 1.4, nf, 1800), rise(MIXED, 1.6, 1.2 * nf, 1.05 * 1800)
    edge = rows.row("rise to the adapter's threshold")
    assert edge.half_width == pytest.approx(slow - middle)
    assert rows.row("line capacitance").half_width == pytest.approx(0.2 * nf)
    assert rows.row("cable").half_width == pytest.approx(0.2 * 14)
    assert nf == pytest.approx((14 * 52 + 3 * 30 + 2 * 90 + 110 + 33) / 1000)


@pytest.mark.parametrize(
    ("measured", "doubt", "warns"),
    [(0.55, 0.0, False), (0.63, 0.0, True), (0.63, 0.01, False), (0.41, 0.0, True)],
)
def test_predicted_beside_measured(measured: float, doubt: float, warns: bool) -> None:
    """Half widths are bounds and add: 0.52 nF is known to 0.104 nF."""
    load = load_of(0x28, count=8, supply_v=5.0, parasite=False)
    bench = Circuit(supply_v=5.0, pull_up_ohm=2200, cable_m=6, devices=(load,))
    found = Measured(name="line capacitance", value=measured, half_width=doubt)
    (compared,) = compare(budget(bench, SLOTS), [found])
    assert compared.allowed == pytest.approx(0.104 + doubt)
    assert compared.difference == pytest.approx(measured - 0.52)
    assert compared.warns is warns
    level = Measured(name="idle line", value=4.0, half_width=doubt)
    (other,) = compare(budget(bench, SLOTS), [level])
    assert other.row.half_width is None
    assert other.allowed == doubt


@pytest.mark.parametrize(
    ("value", "low", "high", "margin", "verdict"),
    [
        (11.0, 10, None, 0.1, RowVerdict.HOLDS),
        (10.99, 10, None, 0.099, RowVerdict.TIGHT),
        (10.0, 10, None, 0.0, RowVerdict.TIGHT),
        (9.9, 10, None, -0.01, RowVerdict.BROKEN),
        (9.0, None, 10, 0.1, RowVerdict.HOLDS),
        (11.0, None, 10, -0.1, RowVerdict.BROKEN),
        (-9.0, -10, None, 0.1, RowVerdict.HOLDS),
        (0.0, 0.0, None, 0.0, RowVerdict.TIGHT),
        (0.1, 0.0, None, math.inf, RowVerdict.HOLDS),
        (0.1, None, 0.0, -math.inf, RowVerdict.BROKEN),
        (math.inf, None, math.inf, -math.inf, RowVerdict.BROKEN),
        (1.0, None, math.inf, math.inf, RowVerdict.HOLDS),
        (1.0, math.inf, None, -math.inf, RowVerdict.BROKEN),
    ],
)
def test_margin_and_verdict(
    value: float,
    low: float | None,
    high: float | None,
    margin: float,
    verdict: RowVerdict,
) -> None:
    """A share of the nearer limit; against zero or without end there is none."""
    row = BudgetRow(
        group="g", name="n", value=value, unit="V", low=low, high=high,
        formula="f", source="s",
    )  # fmt: skip
    assert row.margin == pytest.approx(margin)
    assert row.verdict is verdict


def test_verdicts_in_order_of_their_severity() -> None:
    """A statement, what holds, what is tight, a caution, a broken limit."""
    order = ["stated", "holds", "tight", "caution", "broken"]
    assert [RowVerdict(name).severity for name in order] == [0, 1, 2, 3, 4]
    found = budget(CIRCUITS["leaky"], SLOTS).worst_first
    keys = [(-row.verdict.severity, row.margin) for row in found]
    assert keys == sorted(keys)
    assert all(row.margin is not None for row in found)


# -- circuit -------------------------------------------------------------------------

# capacitance pF, leak uA, low V, high V at 5 V, busy mA, hold V: data sheets DS2401 p. 2,
# DS1996 p. 13-18, DS2431 p. 2-3, DS2413 p. 2-3, DS28EC20 p. 1-5, DS18B20 p. 19
LOADS = {
    0x01: (100, 0.25, 0.3, 2.2, 0.0, 2.8),
    0x0C: (100, 5, 0.3, 2.2, 0.0, 2.8),
    0x2D: (100, 6.7, 0.5, 4.0, 0.8, 2.8),
    0x3A: (100, 70, 0.4, 3.6, 0.0, 2.8),
    0x43: (100, 3.5, 0.5, 3.9, 0.9, 2.8),
    **dict.fromkeys((0x10, 0x22, 0x28, 0x3B, 0x42), (25, 5, 0.5, 3.0, 1.5, 3.0)),
    0xFE: (100, 6.7, 0.3, 2.2, 0.0, 2.8),
}


@pytest.mark.parametrize("family", LOADS)
def test_a_family_as_a_load(family: int) -> None:
    """The published figures, fed from the line; the cautious ones where there are none."""
    load = load_of(family, count=2, supply_v=5.0)
    assert LOADS[family] == pytest.approx(
        (
            load.input_pf,
            load.leak_ua,
            load.low_v,
            load.high_v,
            load.busy_ma,
            load.hold_v,
        )
    )
    assert (load.count, load.parasite, load.sink_ohm) == (2, True, 100.0)
    assert load_of(family, supply_v=5.0).count == 1
    own = load_of(family, supply_v=5.0, parasite=False)
    assert not own.parasite
    if LOADS[family][4] == 1.5:  # a thermometer with a supply of its own
        assert (own.low_v, own.high_v) == (0.8, 2.2)
    else:
        assert own.high_v == load.high_v


def test_what_a_circuit_is_made_of() -> None:
    """Defaults: twisted pair, buffer, TTL receiver, and the tolerances of common parts."""
    made = Circuit(supply_v=5, pull_up_ohm=2200, devices=KINDS)
    assert (made.cable_m, made.cable_pf_per_m, made.adapter_pf) == (0, 50, 20)
    assert (made.adapter_threshold_v, made.adapter_low_v) == (1.5, 0.8)
    assert (made.stub_m, made.series_ohm, made.busy_at_once) == (0, 0, 1)
    assert (made.pull_up_tolerance, made.capacitance_tolerance) == (0.05, 0.2)
    assert (made.threshold_tolerance_v, made.switch_v) == (0.2, 0)
    assert made.host is OPEN_DRAIN
    assert (OPEN_DRAIN.stage_ohm, OPEN_DRAIN.stage_v, OPEN_DRAIN.sink_ma) == (25, 0, 24)
    assert (made.count, made.parasites) == (6, 4)
    assert made.leak_ua == 3 * 4 + 2 * 50 + 6
    # 40 m, four soldered, three contacts, 48 pF of board at 24 pF/m
    assert weight_m(cable_m=40, soldered=4, contacts=3, board_pf=48) == 47


@pytest.mark.parametrize(
    "wrong",
    [
        {"devices": ()},
        {"supply_v": 0},
        {"pull_up_ohm": 0},
        {"supply_v": 1.5},
        {"adapter_threshold_v": 0.05, "host": STAGE},
    ],
)
def test_what_is_no_circuit(wrong: dict[str, object]) -> None:
    """Nothing on it, nothing that feeds it, a threshold that no edge crosses."""
    good: dict[str, Any] = {"supply_v": 5, "pull_up_ohm": 2200, "devices": KINDS}
    with pytest.raises(ValueError, match=r"."):
        Circuit(**{**good, **wrong})
    with pytest.raises(ValueError, match="no device"):
        replace(KINDS[0], count=0)


# -- remedies ------------------------------------------------------------------------

E24 = [
    float(f"{step}e{decade}")
    for decade in (1, 2, 3)
    for step in (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51,
                 56, 62, 68, 75, 82, 91)
][:49]  # fmt: skip
"""IEC 60063, from 100 ohm to 10 kohm."""


@pytest.mark.parametrize("cable_m", [1, 14, 25, 40, 90, 400])
def test_resistors_of_the_series(cable_m: float) -> None:
    """The lowest and the highest that hold, each tried; none where none does."""
    circuit = replace(PLAIN, cable_m=cable_m)
    good = [
        ohm for ohm in E24 if holds(budget(replace(circuit, pull_up_ohm=ohm), SLOTS))
    ]
    assert pull_ups(circuit, SLOTS) == ((good[0], good[-1]) if good else None)


def test_every_resistor_of_the_series_is_tried() -> None:
    """From 100 ohm to 10 kohm, in rising order."""
    assert list(_series()) == E24
    assert (E24[0], E24[-1]) == (100, 10_000)


def test_the_fewest_branches() -> None:
    """Each number of branches is tried: the first at which all parts hold."""
    circuit = replace(
        MIXED, strong_pull_up_ohm=None, pull_up_ohm=2200, cable_m=30, busy_at_once=3,
    )  # fmt: skip
    found = split(circuit, SLOTS)
    assert found is not None
    assert found.branches == 2 or not holds(
        budget(replace(circuit, cable_m=30 / (found.branches - 1)), SLOTS)
    )
    assert found.cable_m == pytest.approx(30 / found.branches)
    assert found.devices == math.ceil(6 / found.branches)
    assert holds(budget(found.circuit, SLOTS))
    assert found.circuit.radius_m is None
    fed = sum(d.count for d in found.circuit.devices if d.parasite and d.busy_ma)
    assert found.circuit.busy_at_once == min(3, max(1, fed))
    assert split(replace(circuit, devices=(replace(KINDS[0], count=1),)), SLOTS) is None


def test_a_branch_for_each_device() -> None:
    """Two devices that only hold alone are split in two."""
    # 100 uA each through 15 kohm are 1.5 V: 3.5 V are left of 5, and 2 V with both
    load = replace(KINDS[1], count=2, high_v=3.0, leak_ua=100, input_pf=1, busy_ma=0.0)
    circuit = Circuit(
        supply_v=5.0, pull_up_ohm=15_000, cable_m=0, adapter_pf=0, devices=(load,)
    )
    assert not holds(budget(circuit, SLOTS))
    found = split(circuit, SLOTS)
    assert found is not None
    assert (found.branches, found.devices) == (2, 1)


@pytest.mark.parametrize(("fed_and_busy", "at_once"), [(1, [1, 1]), (2, [2, 1])])
def test_only_fed_devices_that_work_load_a_branch(
    fed_and_busy: int, at_once: list[int]
) -> None:
    """Of four at once as many as the branch has; those with a supply or idle do not count."""
    devices = (
        replace(KINDS[0], count=fed_and_busy, high_v=2.0),
        replace(KINDS[2], count=3 - fed_and_busy, high_v=2.1, busy_ma=0.0),
        replace(KINDS[1], count=3, high_v=3.0),
    )
    parts = list(_branches(replace(MIXED, devices=devices, busy_at_once=4), 2))
    assert [part.count for part in parts] == [3, 3]
    assert [part.busy_at_once for part in parts] == at_once


def test_slots_that_leave_no_caution_come_first() -> None:
    """Where slower slots end a caution about recharging, they are the remedy."""
    crowd = replace(
        PLAIN, cable_m=1, devices=(load_of(0x28, count=12, supply_v=4.8),),
        host=HostStage(name="s", stage_ohm=5, sink_ma=100), pull_up_ohm=1500,
    )  # fmt: skip
    name = "recharge in back-to-back write-0 slots"
    assert budget(crowd, SLOTS).row(name).verdict is RowVerdict.CAUTION
    found = fitting_slots(crowd, GRID)
    assert found is not None
    assert budget(crowd, found).row(name).verdict is not RowVerdict.CAUTION
    assert found.slot_us > SLOTS.slot_us


def test_both_only_where_neither_helps() -> None:
    """Slots and pull-up together, where no slots and no pull-up alone hold."""
    for cable_m in (5, 120):
        circuit = replace(PLAIN, cable_m=cable_m, pull_up_ohm=4700)
        found = remedies(circuit, GRID, SLOTS)
        alone = found.slots is not None or found.pull_up_ohm is not None
        assert not (alone and found.both)
        assert found.any is (alone or bool(found.split) or bool(found.both))
        if found.both is not None:
            slots, ohms = found.both
            assert all(
                holds(budget(replace(circuit, pull_up_ohm=o), slots)) for o in ohms
            )


def test_reach_in_whole_devices() -> None:
    """Whole devices and metres, as the rows say them."""
    devices, length_m = reach(PLAIN, SLOTS)
    rows = by_hand(PLAIN, SLOTS)
    assert devices == rows["devices of this mix"][2]
    assert length_m == pytest.approx(rows["cable"][2])
