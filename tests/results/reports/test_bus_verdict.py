"""Budget and survey of one bus give one verdict, or explain each other."""

from __future__ import annotations

import pytest

from harness.records import Bound, Measurement, Outcome
from harness.results.reports.bus_verdict import MeasuredRow, verdict_lines
from harness.results.timing import TimingRow
from harness.wire.budget.remedy import remedies
from harness.wire.budget.table import Budget, budget
from harness.wire.circuit import Circuit, load_of
from harness.wire.clock_grid import GRIDS
from harness.wire.slots.frames import choose_slots

GRID = GRIDS["fractional-divider"]
SLOTS = choose_slots(GRID)


def computed(cable_m: float) -> Budget:
    """The budget of eight thermometers on so much cable."""
    load = load_of(0x28, count=8, supply_v=5.0, parasite=False)
    circuit = Circuit(supply_v=5.0, pull_up_ohm=2200, cable_m=cable_m, devices=(load,))
    return budget(circuit, SLOTS)


GOOD, BAD = computed(2), computed(60)


def measured(outcome: Outcome, capacitance_nf: float = 0.5) -> MeasuredRow:
    """A survey that found this much capacitance and devices that recover soon."""
    values = [
        ("line", Measurement(name="capacitance", value=capacitance_nf, unit="nF",
                             uncertainty=0.07)),
        ("line", Measurement(name="rise_time", value=0.7, unit="us", high=3.9,
                             bound=Bound.AT_MOST)),
        ("A1", Measurement(name="recovery", value=1.4, unit="us", high=5.0,
                           uncertainty=0.3)),
        ("A2", Measurement(name="recovery", value=2.4, unit="us", high=5.0,
                           uncertainty=0.3)),
    ]  # fmt: skip
    rows = tuple(TimingRow(device=device, value=value) for device, value in values)
    return MeasuredRow(outcome=outcome, rows=rows)


def lines(found: Budget, seen: MeasuredRow | None = None) -> list[str]:
    """The verdict as printed."""
    return verdict_lines(found, remedies(found.circuit, GRID, SLOTS), seen)


@pytest.mark.parametrize(
    ("found", "outcome", "verdict"),
    [
        (GOOD, None, "within limits by the worst case"),
        (BAD, None, "not guaranteed: the worst case of the data sheets"),
        (GOOD, Outcome.PASSED, "within limits, computed and measured"),
        (BAD, Outcome.PASSED, "works as measured, not guaranteed"),
        (GOOD, Outcome.FAILED, "fails as measured, though the line as declared"),
        (BAD, Outcome.FAILED, "fails as measured, and the budget"),
        (GOOD, Outcome.ERROR, "not measured (error); computed alone: within limits"),
        (BAD, Outcome.ERROR, "not measured (error); computed alone: not guaranteed"),
    ],
)
def test_one_verdict(found: Budget, outcome: Outcome | None, verdict: str) -> None:
    """Each case has its sentence; a violated budget comes with remedies."""
    said = lines(found, None if outcome is None else measured(outcome))
    assert said[0].startswith(f"bus: {verdict}")
    assert any("remedy, any one" in line for line in said) == (found is BAD)


def test_computed_stands_beside_measured() -> None:
    """The violated row, what was measured of the same, and the budget of the real line."""
    said = "\n".join(lines(BAD, measured(Outcome.PASSED)))
    assert "computed: recovery left after write-0 " in said
    assert "measured: rise_time of line at most 0.7 us (at most 3.9)" in said
    assert (
        "measured: recovery of A2 2.40 +- 0.30 us (at most 5), the largest of 2" in said
    )
    assert "with the measured capacitance, at most 0.57 nF in place of" in said
    assert "the budget is within limits" in said


def test_a_heavy_line_that_is_measured_heavy_stays_violated() -> None:
    """The measured line is no excuse where it is as heavy as computed."""
    said = "\n".join(lines(BAD, measured(Outcome.PASSED, 3.2)))
    assert "the budget is within limits" not in said


def test_remedies_name_lines_and_numbers() -> None:
    """Slots with the line to write, a range of resistors, a split with devices and metres."""
    said = "\n".join(lines(BAD))
    assert "write `slots: by-budget` under adapter: " in said
    assert " ohm, now 2200 ohm" in said
    assert "buses of at most " in said
    assert "m of cable each" in said
