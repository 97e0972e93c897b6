"""The budget: rows that follow the formulas, limits that agree with the rows, warnings."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.wire.budget.table import (
    CABLE,
    CAPACITANCE,
    RISE,
    Budget,
    BudgetRow,
    Measured,
    RowVerdict,
    budget,
    compare,
    longest_cable_m,
    most_devices,
    pull_up_range_ohm,
    strong_window,
)
from harness.wire.circuit import (
    Circuit,
    DeviceLoad,
    HostStage,
    Topology,
    load_of,
    weight_m,
)
from harness.wire.clock_grid import GRIDS
from harness.wire.limits import OVERDRIVE
from harness.wire.slots.frames import SlotFrames, choose_slots

SEEDED = settings(derandomize=True, deadline=None)

SLOTS = choose_slots(GRIDS["fractional-divider"])
CUSTOMARY = choose_slots(GRIDS["unknown"])
# a stage of 7 ohm, so that a strong pull-up can be armed
STRONG_STAGE = HostStage(name="transistor of 7 ohm", stage_ohm=7.0, sink_ma=100.0)

# about 0.3 V of diode and 0.3 V of driver at 4 mA (from memory)
SCHOTTKY = HostStage(
    name="diode to a push-pull output", stage_ohm=75.0, stage_v=0.3, sink_ma=4.0
)


def _thermometers(count: int, *, parasite: bool = False) -> tuple[DeviceLoad, ...]:
    return (load_of(0x28, count=count, supply_v=5.0, parasite=parasite),)


BENCH = Circuit(supply_v=5.0, pull_up_ohm=2200, cable_m=6, devices=_thermometers(8))


def test_a_sound_bench_holds() -> None:
    """Eight thermometers on 6 m at 2.2 kohm: nothing is broken, nothing is doubtful."""
    found = budget(BENCH, SLOTS)
    assert found.verdict is RowVerdict.HOLDS
    # the 7 us of high that a 70 us slot leaves are what runs out first
    assert found.worst_first[0].name == "recovery left after write-0"
    # 6 m x 50 pF + 8 x 25 pF + 20 pF = 0.52 nF; 2.2 k: ln(5 / 3.5) x 1.144 us
    assert found.row(CAPACITANCE).value == pytest.approx(0.52)
    assert found.row(RISE).value == pytest.approx(1.144 * math.log(5 / 3.5))


def test_every_row_says_where_it_comes_from() -> None:
    """Each row names formula and source, once, with a unit."""
    circuit = replace(BENCH, devices=_thermometers(3, parasite=True))
    rows = budget(circuit, SLOTS).rows
    assert len({row.name for row in rows}) == len(rows)
    assert all(row.formula and row.source and row.unit for row in rows)


def test_row_margins() -> None:
    """Margin is the share of the nearer limit; a broken guidance is only a caution."""
    row = BudgetRow(
        group="g",
        name="n",
        value=12,
        unit="V",
        low=10,
        high=20,
        formula="f",
        source="s",
    )
    assert row.margin == pytest.approx(0.2)
    assert row.verdict is RowVerdict.HOLDS
    assert replace(row, value=10.5).verdict is RowVerdict.TIGHT
    assert replace(row, value=21).verdict is RowVerdict.BROKEN
    assert replace(row, value=21, binding=False).verdict is RowVerdict.CAUTION
    assert replace(row, low=None, high=None).verdict is RowVerdict.STATED
    assert replace(row, low=None, high=math.inf).verdict is RowVerdict.HOLDS
    assert replace(row, low=math.inf, high=None).verdict is RowVerdict.BROKEN
    assert replace(row, value=-1, low=0, high=None).verdict is RowVerdict.BROKEN


def test_too_much_capacitance_breaks_the_recovery_first() -> None:
    """4.7 kohm and 20 m at 70 us slots: the line is not back before the next slot.

    Cases of a forum thread on cable capacitance show it: 4.7 k with 1.5 nF unreliable, 1.5 k good.
    """
    slow = Circuit(supply_v=5.0, pull_up_ohm=4700, cable_m=30, devices=_thermometers(1))
    row = budget(slow, SLOTS).row("recovery left after write-0")
    assert row.verdict is RowVerdict.BROKEN
    cured = budget(replace(slow, pull_up_ohm=1500), SLOTS)
    assert cured.row("recovery left after write-0").verdict is not RowVerdict.BROKEN
    # or the customary rate, whose write-0 leaves 17 us
    calm = budget(slow, CUSTOMARY)
    assert calm.row("recovery left after write-0").verdict is RowVerdict.HOLDS


def test_diode_stage_is_called_out() -> None:
    """A diode to a push-pull output misses the 0.3 V of a serial number (arithmetic of pull-up and capacitance)."""
    circuit = replace(BENCH, host=SCHOTTKY, devices=(load_of(0x01, supply_v=5.0),))
    row = budget(circuit, SLOTS).row("host's low at the devices")
    assert row.value == pytest.approx(0.3 + 4.7 * 75 / 2275)
    assert row.verdict is RowVerdict.BROKEN


def test_series_resistor_lifts_the_devices_low() -> None:
    """150 ohm at each branch count with the device's own 100 ohm."""
    row = budget(replace(BENCH, series_ohm=150), SLOTS).row(
        "device's low at the adapter"
    )
    assert row.value == pytest.approx(5.0 * 250 / 2450)


def test_more_than_five_parasites_want_more_recovery() -> None:
    """Five recharge in 4.6 us, six in 5.5 us through 2.2 kohm (arithmetic of pull-up and capacitance)."""
    name = "recharge in back-to-back write-0 slots"
    for count, us in ((5, 4.58), (6, 5.5)):
        circuit = replace(BENCH, devices=_thermometers(count, parasite=True))
        assert budget(circuit, SLOTS).row(name).value == pytest.approx(us, abs=0.01)
    crowd = replace(BENCH, devices=_thermometers(20, parasite=True))
    assert budget(crowd, SLOTS).row(name).verdict is RowVerdict.CAUTION
    # after a reset there are 180 us in the worst case (arithmetic of pull-up and capacitance)
    assert budget(crowd, SLOTS).row("recharge after a reset").high == 180


def test_conversions_need_more_than_the_pull_up() -> None:
    """2.2 kohm cannot feed 1.5 mA at 3 V; 1.3 kohm can, for one device (data sheet DS18B20, conversion current)."""
    name = "pull-up alone for conversions and copies"
    circuit = replace(BENCH, devices=_thermometers(1, parasite=True))
    assert budget(circuit, SLOTS).row(name).verdict is RowVerdict.CAUTION
    enough = budget(replace(circuit, pull_up_ohm=1300), SLOTS).row(name)
    assert enough.high == pytest.approx(1333.3, abs=0.1)
    assert enough.verdict is RowVerdict.TIGHT
    local = budget(BENCH, SLOTS)
    with pytest.raises(KeyError):
        local.row(name)


@pytest.mark.parametrize("strong_ohm", [120.0, 60.0, 2000.0])
def test_strong_pull_up_inside_and_outside_its_window(strong_ohm: float) -> None:
    """Inside the window all its rows hold; outside the one that is lost is broken."""
    circuit = replace(
        BENCH,
        devices=_thermometers(8, parasite=True),
        busy_at_once=8,
        host=STRONG_STAGE,
        strong_pull_up_ohm=strong_ohm,
    )
    window = strong_window(circuit)
    found = budget(circuit, SLOTS)
    # 8 x 1.5 mA at 3 V: 2 V / 12 mA = 167 ohm, less what 2.2 kohm gives: 180 ohm;
    # 7 ohm to 0.5 V: 63 ohm in all, 65 ohm beside 2.2 kohm
    assert window.high_ohm == pytest.approx(180.3, abs=0.1)
    assert window.low_ohm == pytest.approx(64.9, abs=0.1)
    inside = window.low_ohm <= strong_ohm <= window.high_ohm
    assert (found.row("strong pull-up").verdict is RowVerdict.BROKEN) is not inside
    low = found.row("host's low while the strong pull-up is armed")
    assert (low.verdict is RowVerdict.BROKEN) is (strong_ohm < window.low_ohm)
    sunk = found.row("host's sink current while armed")
    assert sunk.value == pytest.approx(
        (5.0 - low.value) * (1 / strong_ohm + 1 / 2200) * 1e3
    )


def test_no_strong_pull_up_fits() -> None:
    """Where stage and current leave no resistor, the budget says that there is none."""
    circuit = replace(
        BENCH, devices=_thermometers(8, parasite=True), busy_at_once=8, host=SCHOTTKY
    )
    assert not strong_window(circuit).exists
    row = budget(circuit, SLOTS).row("strong pull-up, lowest that would do")
    assert "there is none" in row.formula


# -- the largest bus: each bound agrees with the rows ---------------------------

EDGE_ROWS = (
    RISE,
    "write-1 low, rise included",
    "recovery left after write-0",
    "recharge in back-to-back write-0 slots",
    "idle line",
    "read sample, cable delay off the window",
)


def _edges_hold(found: Budget) -> bool:
    names = {row.name for row in found.rows}
    return all(
        found.row(name).verdict not in {RowVerdict.BROKEN, RowVerdict.CAUTION}
        for name in EDGE_ROWS
        if name in names
    )


@SEEDED
@given(
    st.floats(600, 3000),
    st.integers(1, 4),
    st.booleans(),
    st.sampled_from([SLOTS, CUSTOMARY]),
)
def test_longest_cable_is_where_the_rows_break(
    pull_up_ohm: float, count: int, parasite: bool, slots: SlotFrames
) -> None:
    """Just below the stated length all edge rows hold, just above one does not."""
    circuit = replace(
        BENCH,
        pull_up_ohm=pull_up_ohm,
        devices=_thermometers(count, parasite=parasite),
    )
    longest_m, limited_by = longest_cable_m(circuit, slots)
    assert longest_m > 0
    assert _edges_hold(budget(replace(circuit, cable_m=longest_m * 0.999), slots))
    if "weight" not in limited_by:
        assert not _edges_hold(
            budget(replace(circuit, cable_m=longest_m * 1.001 + 1e-3), slots)
        )


@SEEDED
@given(st.floats(600, 3000), st.booleans(), st.floats(0, 15))
def test_most_devices_is_where_the_rows_break(
    pull_up_ohm: float, parasite: bool, cable_m: float
) -> None:
    """The stated number of devices still holds, one more does not."""
    circuit = replace(
        BENCH,
        pull_up_ohm=pull_up_ohm,
        cable_m=cable_m,
        devices=_thermometers(1, parasite=parasite),
    )
    most = math.floor(most_devices(circuit, SLOTS)[0] + 1e-9)
    beyond = replace(circuit, devices=_thermometers(most + 1, parasite=parasite))
    if most:
        within = replace(circuit, devices=_thermometers(most, parasite=parasite))
        assert _edges_hold(budget(within, SLOTS))
    assert not _edges_hold(budget(beyond, SLOTS))


@pytest.mark.parametrize(
    ("supply_v", "high_v", "most"),
    [(5.0, 3.0, 20), (5.0, 2.0, 22), (3.0, 2.0, 2), (2.7, 2.0, 0)],
)
def test_most_devices_by_their_leakage(
    supply_v: float, high_v: float, most: int
) -> None:
    """100 uA each through 1 kohm: 0.1 V a device down to their high level, 2.8 V at least."""
    load = DeviceLoad(
        name="leaky", count=1, input_pf=0.1, leak_ua=100, low_v=0.8, high_v=high_v,
        parasite=False,
    )  # fmt: skip
    circuit = Circuit(
        supply_v=supply_v, pull_up_ohm=1000, cable_m=0, adapter_pf=0, devices=(load,),
        adapter_threshold_v=1.0,
    )  # fmt: skip
    found, limited_by = most_devices(circuit, SLOTS)
    assert found == pytest.approx(most)
    assert limited_by == "idle line"
    # the same line turned round: what is left over the leakage of one
    ohm, set_by = pull_up_range_ohm(circuit, SLOTS)[1]
    assert ohm == pytest.approx(most * 1000)
    assert set_by == "idle line"


@SEEDED
@given(st.floats(0, 20), st.integers(1, 8), st.booleans())
def test_pull_up_range_is_where_the_rows_break(
    cable_m: float, count: int, parasite: bool
) -> None:
    """At both ends of the range the levels and edges still hold, beyond they do not."""
    circuit = replace(
        BENCH, cable_m=cable_m, devices=_thermometers(count, parasite=parasite)
    )
    (low_ohm, _), (high_ohm, _) = pull_up_range_ohm(circuit, CUSTOMARY)
    assert low_ohm < high_ohm
    assert _edges_hold(
        budget(replace(circuit, pull_up_ohm=high_ohm * 0.999), CUSTOMARY)
    )
    assert not _edges_hold(
        budget(replace(circuit, pull_up_ohm=high_ohm * 1.001), CUSTOMARY)
    )
    names = ("host's low at the devices", "device's low at the adapter")
    for factor, broken in ((1.001, False), (0.999, True)):
        found = budget(replace(circuit, pull_up_ohm=low_ohm * factor), CUSTOMARY)
        verdicts = {found.row(name).verdict for name in names}
        assert (RowVerdict.BROKEN in verdicts) is broken


@SEEDED
@given(st.floats(0, 100), st.floats(0.1, 100))
def test_more_cable_never_helps(cable_m: float, more_m: float) -> None:
    """Longer cable: rise never shorter, recovery never longer, fewer devices."""
    short = replace(BENCH, cable_m=cable_m)
    long = replace(BENCH, cable_m=cable_m + more_m)
    first, second = budget(short, SLOTS), budget(long, SLOTS)
    assert second.row(RISE).value >= first.row(RISE).value
    name = "recovery left after write-0"
    assert second.row(name).value <= first.row(name).value
    assert most_devices(long, SLOTS)[0] <= most_devices(short, SLOTS)[0]


def test_overdrive_leaves_less_room() -> None:
    """The same line that is easy at standard speed fills the overdrive rise budget.

    1 kohm with 1 nF takes 0.496 us to 2.2 V, 1 Mbaud has 0.5 us (arithmetic of pull-up and capacitance).
    """
    slots = choose_slots(GRIDS["fast-fractional-divider"], limits=OVERDRIVE)
    circuit = Circuit(
        supply_v=5.0,
        pull_up_ohm=1000,
        cable_m=19,
        devices=_thermometers(1),
        adapter_threshold_v=2.2,
    )
    assert budget(circuit, slots).row(RISE).verdict is RowVerdict.BROKEN
    assert budget(circuit, SLOTS).row(RISE).verdict is RowVerdict.HOLDS


# -- topology ------------------------------------------------------------------


def test_topology_guidance() -> None:
    """Stubs of a linear bus up to 3 m; branches want 100 to 150 ohm (tutorial 148, from memory)."""
    stub = "longest stub of a linear bus"
    assert budget(replace(BENCH, stub_m=2), SLOTS).row(stub).verdict is RowVerdict.HOLDS
    assert (
        budget(replace(BENCH, stub_m=4), SLOTS).row(stub).verdict is RowVerdict.CAUTION
    )
    star = replace(BENCH, topology=Topology.STAR)
    name = "series resistor at each branch, star bus"
    assert budget(star, SLOTS).row(name).verdict is RowVerdict.CAUTION
    damped = budget(replace(star, series_ohm=120), SLOTS).row(name)
    assert damped.verdict is RowVerdict.HOLDS


def test_weight_and_radius() -> None:
    """Wire, 0.5 m a soldered device, 1 m a contact, 24 pF a metre (tutorial 148, from memory)."""
    assert weight_m(cable_m=100, soldered=10, contacts=5, board_pf=48) == 112
    far = replace(BENCH, cable_m=900, radius_m=800)
    assert budget(far, SLOTS).row("radius").verdict is RowVerdict.BROKEN
    assert budget(far, SLOTS).row("weight").verdict is RowVerdict.CAUTION


def test_cable_delay_takes_from_the_read_window() -> None:
    """At 300 m the window of 15 us is 12 us (5 ns/m, from memory)."""
    row = budget(replace(BENCH, radius_m=300), SLOTS).row(
        "read sample, cable delay off the window"
    )
    assert row.high == pytest.approx(12.0)


# -- figures -------------------------------------------------------------------


def test_figures_of_the_data_sheets() -> None:
    """Thresholds follow the supply where the sheets say so (data sheets DS2431 p. 2-3, DS2413 p. 2-3, DS1990A p. 2)."""
    assert load_of(0x2D, supply_v=5.0).high_v == pytest.approx(4.0)
    assert load_of(0x43, supply_v=5.0).high_v == pytest.approx(3.9)
    assert load_of(0x28, supply_v=5.0, parasite=True).high_v == 3.0
    assert load_of(0x28, supply_v=5.0, parasite=False).high_v == 2.2
    assert load_of(0x01, supply_v=5.0).low_v == 0.3
    assert "no figures" in load_of(0xEE, supply_v=5.0).source


def test_nonsense_is_refused() -> None:
    """A bus without devices, a kind counted zero times, a pull-up of nothing."""
    with pytest.raises(ValueError, match="without devices"):
        replace(BENCH, devices=())
    with pytest.raises(ValueError, match="is no device"):
        load_of(0x28, count=0, supply_v=5.0)
    with pytest.raises(ValueError, match="above zero"):
        replace(BENCH, pull_up_ohm=0)
    with pytest.raises(ValueError, match="does not lie between"):
        replace(BENCH, adapter_threshold_v=5.0)


def test_a_supply_below_the_devices_threshold() -> None:
    """A switch that wants 3.6 V never sees high at 3.3 V: broken, and nothing helps."""
    circuit = Circuit(
        supply_v=3.3,
        pull_up_ohm=2200,
        cable_m=1,
        devices=(load_of(0x3A, supply_v=3.3),),
    )
    found = budget(circuit, SLOTS)
    assert found.verdict is RowVerdict.BROKEN
    assert found.row("idle line").verdict is RowVerdict.BROKEN
    assert found.row("recovery left after write-0").verdict is RowVerdict.BROKEN
    assert longest_cable_m(circuit, SLOTS)[0] == 0
    assert most_devices(circuit, SLOTS)[0] == 0
    assert pull_up_range_ohm(circuit, SLOTS)[1][0] == 0


# -- predicted beside measured --------------------------------------------------


def test_agreement_and_warning() -> None:
    """Within both half widths there is no warning, beyond them there is."""
    predicted = budget(BENCH, SLOTS)
    row = predicted.row(RISE)
    assert row.half_width is not None
    allowed = row.half_width + 0.1
    inside, outside = compare(
        predicted,
        [
            Measured(name=RISE, value=row.value + 0.99 * allowed, half_width=0.1),
            Measured(name=RISE, value=row.value + 1.01 * allowed, half_width=0.1),
        ],
    )
    assert inside.allowed == pytest.approx(allowed)
    assert not inside.warns
    assert outside.warns
    assert outside.difference == pytest.approx(1.01 * allowed)


def test_a_damp_cable_is_warned_of() -> None:
    """Cable measured at twice its length by capacitance does not fit the fixture."""
    predicted = budget(BENCH, SLOTS)
    (found,) = compare(predicted, [Measured(name=CABLE, value=12, half_width=2)])
    assert found.warns
    (honest,) = compare(predicted, [Measured(name=CABLE, value=6.5, half_width=2)])
    assert not honest.warns


def test_unknown_rows_and_no_numbers() -> None:
    """A name that the budget lacks is refused; what is no number always warns."""
    predicted = budget(BENCH, SLOTS)
    with pytest.raises(KeyError):
        compare(predicted, [Measured(name="mood", value=1, half_width=1)])
    (found,) = compare(predicted, [Measured(name=RISE, value=math.nan, half_width=1)])
    assert found.warns


@SEEDED
@given(
    st.floats(0.951, 1.049),
    st.floats(0.81, 1.19),
    st.floats(-0.19, 0.19),
)
def test_half_width_covers_the_tolerances(
    pull_up: float, capacitance: float, threshold_v: float
) -> None:
    """A circuit within its tolerances is predicted within the stated half width."""
    row = budget(BENCH, SLOTS).row(RISE)
    assert row.half_width is not None
    true_us = (
        BENCH.pull_up_ohm
        * pull_up
        * BENCH.capacitance_nf
        * capacitance
        * 1e-3
        * math.log(5.0 / (5.0 - BENCH.adapter_threshold_v - threshold_v))
    )
    assert abs(true_us - row.value) <= row.half_width
