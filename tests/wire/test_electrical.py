"""Circuit formulas: published tables cell by cell, a circuit by hand, integration."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from harness.wire.electrical import (
    SLOT_CHARGE_NC,
    ResistorWindow,
    cable_length_m,
    capacitance_nf,
    droop_v,
    line_capacitance_nf,
    low_level_v,
    parallel_ohm,
    parasite_level_v,
    pull_up_for_level_ohm,
    pull_up_min_ohm,
    recharge_us,
    resistor_for_current_ohm,
    rise_budget_us,
    rise_us,
    round_trip_us,
    strong_pull_up_window,
)

SEEDED = settings(derandomize=True, deadline=None)

# (R ohm, C nF, supply V, threshold V, rise us, fits 115200, 150000, 1 M): arithmetic of pull-up and capacitance,
# V0 = 0.4 V.
RISES = [
    (1000, 1.0, 5.0, 2.2, 0.496, "yyy"),
    (2200, 1.0, 5.0, 2.2, 1.092, "yyn"),
    (2200, 1.0, 5.0, 3.6, 2.617, "yyn"),
    (4700, 1.0, 5.0, 2.2, 2.333, "yyn"),
    (4700, 1.15, 5.0, 2.2, 2.683, "yyn"),
    (2200, 1.0, 3.3, 2.2, 2.133, "yyn"),
    (4700, 1.0, 3.3, 2.2, 4.556, "nnn"),
    (1000, 5.0, 5.0, 2.2, 2.482, "yyn"),
    (4700, 5.0, 5.0, 2.2, 11.666, "nnn"),
]


@pytest.mark.parametrize("row", RISES)
def test_rise_times(row: tuple[float, float, float, float, float, str]) -> None:
    """Each rise time of the table, and whether it fits into half a bit."""
    pull_up_ohm, nf, supply_v, threshold_v, published_us, fits = row
    value_us = rise_us(
        pull_up_ohm=pull_up_ohm,
        capacitance_nf=nf,
        supply_v=supply_v,
        threshold_v=threshold_v,
        start_v=0.4,
    )
    assert value_us == pytest.approx(published_us, abs=0.0006)
    found = "".join(
        "y" if value_us <= rise_budget_us(bit_us=1e6 / baud) else "n"
        for baud in (115_200, 150_000, 1_000_000)
    )
    assert found == fits


def test_capacitance_of_the_example_line() -> None:
    """20 m at 50 pF/m and six devices of 25 pF make 1.15 nF (arithmetic of pull-up and capacitance)."""
    assert line_capacitance_nf(
        cable_m=20, cable_pf_per_m=50, device_pf=6 * 25, adapter_pf=0
    ) == pytest.approx(1.15)


# Largest C in nF for 2.2 V at 1 k, 2.2 k, 4.7 k (arithmetic of pull-up and capacitance).
LARGEST = [
    (115_200, 5.0, (8.74, 3.97, 1.86)),
    (150_000, 5.0, (6.71, 3.05, 1.43)),
    (1_000_000, 5.0, (1.01, 0.458, 0.214)),
    (115_200, 3.3, (4.48, 2.04, 0.95)),
]


@pytest.mark.parametrize(("baud", "supply_v", "published_nf"), LARGEST)
def test_largest_capacitance(
    baud: int, supply_v: float, published_nf: tuple[float, float, float]
) -> None:
    """The capacitance whose rise just fills half a bit."""
    for pull_up_ohm, nf in zip((1000, 2200, 4700), published_nf, strict=True):
        found = capacitance_nf(
            rise_us=rise_budget_us(bit_us=1e6 / baud),
            pull_up_ohm=pull_up_ohm,
            supply_v=supply_v,
            threshold_v=2.2,
            start_v=0.4,
        )
        assert found == pytest.approx(nf, rel=0.006)


@pytest.mark.parametrize(
    ("baud", "metres"), [(115_200, (175, 79, 37)), (1_000_000, (20, 9, 4))]
)
def test_longest_bare_cable(baud: int, metres: tuple[int, int, int]) -> None:
    """The same in metres at 50 pF/m, without devices (arithmetic of pull-up and capacitance)."""
    for pull_up_ohm, length_m in zip((1000, 2200, 4700), metres, strict=True):
        nf = capacitance_nf(
            rise_us=0.5e6 / baud,
            pull_up_ohm=pull_up_ohm,
            supply_v=5.0,
            threshold_v=2.2,
            start_v=0.4,
        )
        found = cable_length_m(capacitance_nf=nf, cable_pf_per_m=50, adapter_pf=0)
        assert round(found) == length_m


# Largest R C in us for a 1.5 V threshold at 5 V and 3.3 V (UM10204, 7.1; arithmetic).
LARGEST_RC = [
    (57_600, 21, 12.5),
    (115_200, 10.6, 6.3),
    (150_000, 8.2, 4.8),
    (230_400, 5.3, 3.1),
    (1_000_000, 1.2, 0.7),
]


@pytest.mark.parametrize(("baud", "at_5_v", "at_3_3_v"), LARGEST_RC)
def test_largest_time_constant(baud: int, at_5_v: float, at_3_3_v: float) -> None:
    """With one step of a 16-fold grid off, 0.44 bit remain for the rise."""
    budget_us = rise_budget_us(bit_us=1e6 / baud, oversampling=16)
    assert budget_us == pytest.approx(0.4375e6 / baud)
    for supply_v, published_us in ((5.0, at_5_v), (3.3, at_3_3_v)):
        # 1 kohm: nF and us are the same number
        found = capacitance_nf(
            rise_us=budget_us, pull_up_ohm=1000, supply_v=supply_v, threshold_v=1.5
        )
        assert found == pytest.approx(published_us, rel=0.035)


def test_example_of_the_adapter_facts() -> None:
    """4.7 kohm x 1 nF: 1.7 us to 1.5 V of 5 V, 5.7 us to 70 %; 30..70 % is 0.847 RC."""
    line = {"pull_up_ohm": 4700.0, "capacitance_nf": 1.0}
    assert rise_us(**line, supply_v=5, threshold_v=1.5) == pytest.approx(1.7, abs=0.05)
    assert rise_us(**line, supply_v=5, threshold_v=3.5) == pytest.approx(5.7, abs=0.05)
    low_us = rise_us(**line, supply_v=5, threshold_v=1.5)
    high_us = rise_us(**line, supply_v=5, threshold_v=3.5)
    assert high_us - low_us == pytest.approx(0.847 * 4.7, rel=1e-3)
    # arithmetic of pull-up and capacitance: 10..90 % is 2.197 RC
    tenth_us = rise_us(**line, supply_v=5, threshold_v=0.5)
    most_us = rise_us(**line, supply_v=5, threshold_v=4.5)
    assert most_us - tenth_us == pytest.approx(2.197 * 4.7, rel=1e-3)


def test_a_circuit_by_hand() -> None:
    """1 kohm and 1 nF from 0 to half the supply: ln 2 = 0.693 us."""
    half_us = rise_us(pull_up_ohm=1000, capacitance_nf=1, supply_v=5, threshold_v=2.5)
    assert half_us == pytest.approx(0.693147, abs=1e-6)


def test_thresholds_out_of_reach() -> None:
    """A line never reaches its supply, and is above what it starts from."""
    line = {"pull_up_ohm": 1000.0, "capacitance_nf": 1.0, "supply_v": 3.0}
    assert rise_us(**line, threshold_v=3.0) == math.inf
    assert rise_us(**line, threshold_v=0.3, start_v=0.4) == 0
    with pytest.raises(ValueError, match="not between"):
        capacitance_nf(rise_us=1, pull_up_ohm=1, supply_v=3, threshold_v=3.0)


@pytest.mark.parametrize(
    ("supply_v", "sink_ma", "published_ohm"),
    [(5.25, 4, 1212), (3.3, 4, 725), (5.0, 2, 2300), (5.0, 4, 1150)],
)
def test_smallest_pull_up(supply_v: float, sink_ma: float, published_ohm: int) -> None:
    """(V - 0.4 V) / I (arithmetic; UM10204, 7.1)."""
    found = pull_up_min_ohm(supply_v=supply_v, low_v=0.4, sink_ma=sink_ma)
    assert found == pytest.approx(published_ohm, abs=0.6)


@pytest.mark.parametrize(
    ("pull_up_ohm", "level_v"),
    [(300, 1.25), (680, 0.64), (1000, 0.455), (2200, 0.217), (4700, 0.104)],
)
def test_low_level_of_a_device(pull_up_ohm: float, level_v: float) -> None:
    """A 100 ohm device at 5 V, cell by cell; 525 ohm is where 0.8 V is met (5.2)."""
    found = low_level_v(supply_v=5, pull_up_ohm=pull_up_ohm, stage_ohm=100)
    assert found == pytest.approx(level_v, abs=0.0051)
    assert pull_up_for_level_ohm(
        supply_v=5, stage_ohm=100, level_v=0.8
    ) == pytest.approx(525)


def test_a_diode_that_never_gets_low_enough() -> None:
    """0.3 V of diode leave no pull-up for a device that wants 0.3 V (arithmetic of pull-up and capacitance)."""
    assert (
        pull_up_for_level_ohm(supply_v=5, stage_ohm=75, stage_v=0.3, level_v=0.3)
        == math.inf
    )
    # diode 0.3 V and 0.2 to 0.4 V of driver: 0.5 to 0.7 V at 1 to 4 mA
    level_v = low_level_v(supply_v=5, pull_up_ohm=1100, stage_ohm=75, stage_v=0.3)
    assert 0.5 < level_v < 0.7


@pytest.mark.parametrize(
    ("devices", "each_ua", "pull_up_ohm", "published_v"),
    [(20, 6.7, 4700, 0.63), (20, 6.7, 2200, 0.295), (10, 70, 2200, 1.54)],
)
def test_droop(
    devices: int, each_ua: float, pull_up_ohm: float, published_v: float
) -> None:
    """N I R of the idle line (arithmetic of pull-up and capacitance)."""
    found = droop_v(leak_ua=devices * each_ua, pull_up_ohm=pull_up_ohm)
    assert found == pytest.approx(published_v, abs=0.0006)


@pytest.mark.parametrize(
    ("devices", "published_us"), [(1, 0.92), (5, 4.6), (10, 9.2), (20, 18.3)]
)
def test_recharge(devices: int, published_us: float) -> None:
    """0.92 us a device through 2.2 kohm (arithmetic of pull-up and capacitance)."""
    found = recharge_us(devices=devices, pull_up_ohm=2200)
    assert found == pytest.approx(published_us, abs=0.05)


def test_parasite_charge() -> None:
    """0.417 nC a slot: 6.8 uA at 61 us, 0.52 V on 800 pF (arithmetic of pull-up and capacitance)."""
    mean_ua = SLOT_CHARGE_NC / 61 * 1e3
    assert round(SLOT_CHARGE_NC, 3) == 0.417
    assert mean_ua == pytest.approx(6.8, abs=0.05)
    assert pytest.approx(0.52, abs=0.002) == SLOT_CHARGE_NC / 0.8  # on 800 pF


def test_charge_balance_by_stepping() -> None:
    """The settled parasite level is where a simulated slot train ends up.

    Stepped by hand: each slot takes the charge, each high time gives current through
    the pull-up into a large reservoir.
    """
    level_v, reservoir_nf = 5.0, 500.0
    for _ in range(20_000):
        level_v -= 4 * SLOT_CHARGE_NC / reservoir_nf
        level_v += (5.0 - level_v) / 2200 * 1e3 * 7.0e-3 / reservoir_nf * 1e3
    found = parasite_level_v(devices=4, pull_up_ohm=2200, supply_v=5, high_us=7.0)
    assert found == pytest.approx(level_v, abs=0.01)
    assert (
        parasite_level_v(devices=1, pull_up_ohm=2200, supply_v=5, high_us=0)
        == -math.inf
    )


@pytest.mark.parametrize(
    ("supply_v", "hold_v", "current_ma", "published_ohm"),
    [
        (5.0, 3.0, 1.5, 1333),
        (5.0, 3.0, 6.0, 333),
        (3.3, 3.0, 1.5, 200),
        (5.0, 2.8, 0.8, 2750),
        (4.5, 2.8, 0.8, 2125),
        (3.3, 2.8, 0.8, 625),
    ],
)
def test_resistor_for_conversions(
    supply_v: float, hold_v: float, current_ma: float, published_ohm: int
) -> None:
    """(V - Vmin) / I for conversions and copies (data sheets DS18B20, DS2431)."""
    found = resistor_for_current_ohm(
        supply_v=supply_v, hold_v=hold_v, current_ma=current_ma
    )
    assert found == pytest.approx(published_ohm, abs=0.4)


def test_cable_delay() -> None:
    """Round trip 1.0 us at 100 m, 3.0 at 300 m, 7.5 at 750 m (5 ns/m, from memory)."""
    assert [round_trip_us(length_m=m) for m in (100, 300, 750)] == pytest.approx(
        [1.0, 3.0, 7.5]
    )


# -- strong pull-up ------------------------------------------------------------

STAGE = {
    "supply_v": 5.0,
    "pull_up_ohm": 2200.0,
    "hold_v": 3.0,
    "stage_ohm": 10.0,
    "stage_v": 0.0,
    "sink_ma": 50.0,
    "low_v": 0.5,
}


@SEEDED
@given(st.integers(2, 8))
def test_both_ends_of_the_window_do(devices: int) -> None:
    """At its ends the window meets the low level and the held level by Ohm's law."""
    window = strong_pull_up_window(**STAGE, current_ma=1.5 * devices)
    assert window.exists
    low_v = low_level_v(
        supply_v=5.0,
        pull_up_ohm=parallel_ohm(2200, window.low_ohm),
        stage_ohm=10,
    )
    assert low_v <= 0.5 + 1e-9
    assert (5.0 - low_v) / parallel_ohm(2200, window.low_ohm) * 1e3 <= 50 + 1e-9
    held_v = 5.0 - 1.5e-3 * devices * parallel_ohm(2200, window.high_ohm)
    assert held_v == pytest.approx(3.0)


def test_no_window() -> None:
    """A stage of 100 ohm that must reach 0.5 V cannot pull against four conversions."""
    weak = {**STAGE, "stage_ohm": 100.0}
    assert strong_pull_up_window(**weak, current_ma=1.5).exists
    assert not strong_pull_up_window(**weak, current_ma=6.0).exists
    # a stage that cannot even pull the ordinary pull-up low
    hopeless = {**STAGE, "stage_v": 0.5}
    assert strong_pull_up_window(**hopeless, current_ma=1.5).low_ohm == math.inf


def test_a_strong_ordinary_pull_up_needs_no_other() -> None:
    """1.3 kohm feeds one conversion at 5 V by itself (data sheet DS18B20, conversion current)."""
    window = strong_pull_up_window(**{**STAGE, "pull_up_ohm": 1300.0}, current_ma=1.5)
    assert window.high_ohm == math.inf


def test_a_switch_takes_its_drop_off_the_strong_pull_up() -> None:
    """6 mA at 3 V from 5 V less 0.3 V of the switch, beside what 2.2 kohm gives.

    2 V / 2.2 kohm are 0.909 mA; the other 5.091 mA through (5 - 0.3 - 3) V: 333.9 ohm.
    """
    window = strong_pull_up_window(**STAGE, current_ma=6.0, switch_v=0.3)
    assert window.high_ohm == pytest.approx(1.7 / (6.0e-3 - 2 / 2200))
    assert strong_pull_up_window(**STAGE, current_ma=6.0).high_ohm == pytest.approx(
        2.0 / (6.0e-3 - 2 / 2200)
    )
    # against 10 ohm to 0.5 V: 90 ohm in all, as the 50 mA of the stage ask for
    assert window.low_ohm == pytest.approx(1 / (1 / 90 - 1 / 2200))
    by_current = {**STAGE, "stage_ohm": 5.0}
    assert strong_pull_up_window(**by_current, current_ma=6.0).low_ohm == pytest.approx(
        1 / (1 / 90 - 1 / 2200)
    )
    by_level = {**STAGE, "sink_ma": 100.0}
    assert strong_pull_up_window(**by_level, current_ma=6.0).low_ohm == pytest.approx(
        1 / (1 / 90 - 1 / 2200)
    )


def test_ends_of_the_formulas() -> None:
    """Where nothing is charged, nothing takes current, or a resistor is missing."""
    line = {"pull_up_ohm": 1000.0, "capacitance_nf": 1.0, "supply_v": 3.0}
    assert rise_us(**line, threshold_v=0.4, start_v=0.4) == 0
    assert rise_us(**line, threshold_v=3.1) == math.inf
    with pytest.raises(ValueError, match="not between"):
        capacitance_nf(
            rise_us=1, pull_up_ohm=1, supply_v=3, threshold_v=0.4, start_v=0.4
        )
    settled = {"pull_up_ohm": 2200.0, "supply_v": 5.0}
    assert parasite_level_v(devices=0, high_us=0, **settled) == 5.0
    assert parasite_level_v(devices=0, high_us=7, **settled) == 5.0
    assert parasite_level_v(devices=2, high_us=-1, **settled) == -math.inf
    assert parallel_ohm(math.inf, 47) == parallel_ohm(47, math.inf) == 47
    assert parallel_ohm(30, 60) == pytest.approx(20)
    assert (
        pull_up_for_level_ohm(supply_v=5, stage_ohm=75, stage_v=0.3, level_v=0.2)
        == math.inf
    )
    # what is left of 1 nF: 1000 - 300 - 20 pF at 50 pF/m, never less than nothing
    assert cable_length_m(
        capacitance_nf=1.0, cable_pf_per_m=50, device_pf=300
    ) == pytest.approx(13.6)
    assert cable_length_m(capacitance_nf=0.1, cable_pf_per_m=50, device_pf=300) == 0
    assert line_capacitance_nf(
        cable_m=10, cable_pf_per_m=50, device_pf=25
    ) == pytest.approx(0.545)
    assert rise_budget_us(bit_us=10) == 5.0
    # 1 V drives the recharge: 0.417 nC through 1 kohm
    assert recharge_us(devices=1, pull_up_ohm=1000) == pytest.approx(30 / 72)
    for low, high, exists in ((2.0, 2.0, True), (2.1, 2.0, False), (math.inf, math.inf, False)):  # fmt: skip
        assert ResistorWindow(low_ohm=low, high_ohm=high).exists is exists


# -- against numerical integration ---------------------------------------------


def _crossing_us(
    slope: Callable[[float, np.ndarray], list[float]],
    start: list[float],
    threshold_v: float,
) -> float:
    """Instant at which the first state crosses the threshold, by integration."""

    def crossing(_: float, state: np.ndarray) -> float:
        return float(state[0]) - threshold_v

    crossing.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        slope,
        (0.0, 1e3),
        start,
        method="LSODA",
        events=crossing,
        rtol=1e-9,
        atol=1e-12,
        max_step=1.0,
    )
    assert solved.t_events is not None
    return float(solved.t_events[0][0])


@pytest.mark.parametrize("row", RISES)
def test_rise_by_integration(
    row: tuple[float, float, float, float, float, str],
) -> None:
    """The formula equals scipy's integration of C dv/dt = (V - v) / R."""
    pull_up_ohm, nf, supply_v, threshold_v, _, _ = row
    rc_us = pull_up_ohm * nf * 1e-3
    found_us = _crossing_us(
        lambda _, state: [(supply_v - state[0]) / rc_us], [0.4], threshold_v
    )
    assert rise_us(
        pull_up_ohm=pull_up_ohm,
        capacitance_nf=nf,
        supply_v=supply_v,
        threshold_v=threshold_v,
        start_v=0.4,
    ) == pytest.approx(found_us, rel=1e-6)


def _diode_ma(across_v: float) -> float:
    """A small junction: 1e-11 mA x (exp(v / 26 mV) - 1), bounded for the solver."""
    return 1e-11 * math.expm1(min(across_v, 0.9) / 0.026)


@pytest.mark.parametrize("nf", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("charged_v", [0.0, 2.0, 4.0])
def test_rise_with_a_diode_to_a_parasite_capacitor(nf: float, charged_v: float) -> None:
    """A rectifier with 0.8 nF behind it slows the rise, never beyond C + 0.8 nF.

    The non-linear circuit (line, diode, device capacitor) is integrated; the formula
    with and without the device's capacitance must bracket it, and where the capacitor
    is charged above the threshold the formula without it must be exact.
    """
    pull_up_kohm, supply_v, threshold_v = 2.2, 5.0, 2.2

    def slope(_: float, state: np.ndarray) -> list[float]:
        into_ma = _diode_ma(float(state[0]) - float(state[1]))
        line_ma = (supply_v - float(state[0])) / pull_up_kohm
        return [(line_ma - into_ma) / nf, into_ma / 0.8]

    found_us = _crossing_us(slope, [0.4, charged_v], threshold_v)
    alone_us, whole_us = (
        rise_us(
            pull_up_ohm=2200,
            capacitance_nf=total_nf,
            supply_v=supply_v,
            threshold_v=threshold_v,
            start_v=0.4,
        )
        for total_nf in (nf, nf + 0.8)
    )
    assert alone_us * (1 - 1e-6) <= found_us <= whole_us
    if charged_v > threshold_v:
        assert found_us == pytest.approx(alone_us, rel=1e-5)
    if charged_v == 0.0:
        assert found_us > alone_us * 1.05


# -- monotone ------------------------------------------------------------------

OHM = st.floats(300, 10_000)
NF = st.floats(0.01, 20)
VOLT = st.floats(0.5, 4.9)


@SEEDED
@given(OHM, NF, NF, VOLT)
def test_more_capacitance_never_shortens_the_rise(
    pull_up_ohm: float, nf: float, more_nf: float, threshold_v: float
) -> None:
    """Rise grows with C, and C from that rise is C again."""
    line = {"pull_up_ohm": pull_up_ohm, "supply_v": 5.0, "threshold_v": threshold_v}
    first_us = rise_us(**line, capacitance_nf=nf)
    assert rise_us(**line, capacitance_nf=nf + more_nf) >= first_us
    assert capacitance_nf(**line, rise_us=first_us) == pytest.approx(nf)


@SEEDED
@given(st.floats(0, 500), st.floats(10, 100), st.floats(0, 3000))
def test_cable_length_inverts_capacitance(
    cable_m: float, pf_per_m: float, device_pf: float
) -> None:
    """The length found from a line's capacitance is the cable's."""
    nf = line_capacitance_nf(
        cable_m=cable_m, cable_pf_per_m=pf_per_m, device_pf=device_pf
    )
    found_m = cable_length_m(
        capacitance_nf=nf, cable_pf_per_m=pf_per_m, device_pf=device_pf
    )
    assert found_m == pytest.approx(cable_m, abs=1e-6)
