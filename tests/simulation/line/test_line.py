"""The node's voltage against worked numbers."""

from __future__ import annotations

from math import inf

import pytest

from harness.simulation.line.line import Line
from harness.simulation.line.trace import LineTrace

GROUND_V = 0.4


def rise_us(*, ohm: float, nf: float, supply_v: float, threshold_v: float) -> float:
    """Time from 0.4 V to a threshold through a resistor."""
    line = Line(capacitance_pf=nf * 1000)
    line.settle(GROUND_V)
    line.pull("pull-up", at_us=0.0, ohm=ohm, level_v=supply_v)
    return line.crossing_us(threshold_v, rising=True)


@pytest.mark.parametrize(
    ("ohm", "nf", "supply_v", "threshold_v", "expected_us"),
    [
        (1000, 1.0, 5.0, 2.2, 0.496),
        (2200, 1.0, 5.0, 2.2, 1.092),
        (2200, 1.0, 5.0, 3.6, 2.617),
        (4700, 1.0, 5.0, 2.2, 2.333),
        (4700, 1.15, 5.0, 2.2, 2.683),
        (2200, 1.0, 3.3, 2.2, 2.133),
        (4700, 1.0, 3.3, 2.2, 4.556),
        (1000, 5.0, 5.0, 2.2, 2.482),
        (4700, 5.0, 5.0, 2.2, 11.666),
    ],
)
def test_rise_time_matches_worked_numbers(
    ohm: float, nf: float, supply_v: float, threshold_v: float, expected_us: float
) -> None:
    """R C ln((V - V0) / (V - Vth)): arithmetic of pull-up and capacitance."""
    got_us = rise_us(ohm=ohm, nf=nf, supply_v=supply_v, threshold_v=threshold_v)
    assert got_us == pytest.approx(expected_us, abs=0.0006)


@pytest.mark.parametrize(
    ("ohm", "expected_v"),
    [(300, 1.25), (680, 0.64), (1000, 0.455), (2200, 0.217), (4700, 0.104)],
)
def test_low_level_is_the_divider(ohm: float, expected_v: float) -> None:
    """A pull of 100 ohm against a pull-up at 5 V (arithmetic of pull-up and capacitance)."""
    line = Line(capacitance_pf=100)
    line.pull("pull-up", at_us=0.0, ohm=ohm, level_v=5.0)
    line.pull("device", at_us=0.0, ohm=100, level_v=0.0)
    assert line.final_v == pytest.approx(expected_v, abs=0.005)


def test_leaving_currents_droop_the_idle_level() -> None:
    """20 devices of 6.7 uA through 4.7 kohm leave 4.37 V (arithmetic of pull-up and capacitance)."""
    line = Line(capacitance_pf=100)
    line.pull("pull-up", at_us=0.0, ohm=4700, level_v=5.0)
    for device in range(20):
        line.draw(device, at_us=0.0, amperes=6.7e-6)
    assert line.final_v == pytest.approx(4.37, abs=0.005)


def test_unpulled_line_stays() -> None:
    """With nobody pulling there is no crossing, ever."""
    line = Line(capacitance_pf=100)
    line.settle(1.0)
    line.pull("pull-up", at_us=0.0, ohm=1000, level_v=5.0)
    line.release("pull-up", at_us=0.0)
    assert line.crossing_us(2.2, rising=True) == inf
    line.move_to(1e6)
    assert line.volts == pytest.approx(1.0)


def test_level_beyond_reach_is_never_crossed() -> None:
    """A divider that ends at 1.25 V never rises through 2.2 V."""
    line = Line(capacitance_pf=100)
    line.pull("pull-up", at_us=0.0, ohm=300, level_v=5.0)
    line.pull("device", at_us=0.0, ohm=100, level_v=0.0)
    assert line.crossing_us(2.2, rising=True) == inf


def test_induced_voltage_adds_to_what_is_seen() -> None:
    """A spike of 3 V lifts a low line over the threshold at once."""
    line = Line(capacitance_pf=100)
    line.pull("host", at_us=0.0, ohm=25, level_v=0.1)
    assert line.crossing_us(2.2, rising=True) == inf
    line.induce("motor", at_us=5.0, volts=3.0)
    assert line.crossing_us(2.2, rising=True) == 5.0


def test_trace_gives_voltage_and_edges_back() -> None:
    """The record is exact between events, at any threshold."""
    line = Line(capacitance_pf=1000)
    line.settle(5.0)
    line.pull("pull-up", at_us=0.0, ohm=2200, level_v=5.0)
    trace = LineTrace()
    line.record(trace, origin_us=1000.0)
    line.pull("host", at_us=10.0, ohm=25, level_v=0.4)
    line.release("host", at_us=20.0)
    line.move_to(60.0)
    line.record(None, origin_us=1000.0)
    (low,) = trace.lows(2.2)
    low_v = trace.voltage_at(1020.0)
    assert low_v == pytest.approx(0.45, abs=0.01)
    assert low.start_us == pytest.approx(1010.02, abs=0.01)
    assert low.end_us == pytest.approx(1021.067, abs=0.001)  # 2.2 us x ln(4.55 / 2.8)
    with pytest.raises(ValueError, match="outside"):
        trace.voltage_at(1060.1)
