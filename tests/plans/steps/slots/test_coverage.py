"""What of a stress or a shmoo an adapter makes, and what that shows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.plans.schema.measure import Shmoo
from harness.plans.schema.trials import Stress
from harness.plans.steps.shmoo import shmoo_coverage
from harness.plans.steps.slots.coverage import Coverage
from harness.plans.steps.slots.points import must_hold_us
from harness.plans.steps.stress import stress_coverage
from harness.records import Outcome
from harness.wire.clock_grid import GRIDS

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def stress(**keys: Any) -> Stress:  # noqa: ANN401 - any key of the step
    """The body of a step."""
    return Stress.model_validate(keys)


SPAN = {"from": 5, "to": 12, "step": 1}


def test_a_table_of_rates_makes_three_of_eight() -> None:
    """Lows of one bit: 1e6/64000, 76800, 115200, 128000, 153600, 230400 by hand.

    That is 15.63, 13.02, 8.68, 7.81, 6.51 and 4.34 us; within half a step of 1 us lie
    6.51 (7), 7.81 (8) and 8.68 (9). Source of the rates: facts of adapters, section 1.
    """
    coverage = stress_coverage(stress(slot="write-1", low_us=SPAN), GRIDS["rate-table"])
    (row,) = coverage.rows
    made = {point.asked_us: round(point.low_us, 2) for point in row.points.made}
    assert made == {7: 6.51, 8: 7.81, 9: 8.68}
    assert [entry.asked_us for entry in row.points.missing] == [5, 6, 10, 11, 12]
    assert (coverage.made, coverage.asked) == (3, 8)
    assert coverage.gap.startswith("5 us and 12 us cannot be made")
    assert "beyond 6.51 to 8.68 us" in coverage.gap


@given(
    kind=st.sampled_from(sorted(GRIDS)),
    slot=st.sampled_from(["write-0", "write-1", "read"]),
    from_us=st.floats(1, 100),
    width_us=st.floats(0, 60),
    step_us=st.floats(0.1, 20),
)
def test_every_point_is_either_made_or_missing(
    kind: str, slot: str, from_us: float, width_us: float, step_us: float
) -> None:
    """Nothing raises, nothing is dropped, and no frame stands for two low times."""
    low_us = {"from": from_us, "to": from_us + width_us, "step": step_us}
    body = stress(slot=slot, low_us=low_us)
    (row,) = stress_coverage(body, GRIDS[kind]).rows
    points = row.points
    asked = [p.asked_us for p in points.made] + [m.asked_us for m in points.missing]
    assert sorted(asked) == sorted(body.points_us)
    frames = [(p.made.request_baud, p.made.frame.byte) for p in points.made]
    assert len(set(frames)) == len(frames)
    for point in points.made:
        assert abs(point.low_us - point.asked_us) <= step_us / 2 + 1e-9


@pytest.mark.parametrize(
    "kind", [k for k, grid in GRIDS.items() if grid.free and k != "rate-table"]
)
def test_ends_lie_inside_beyond_the_doubt_of_the_clock(kind: str) -> None:
    """So that one that fails there is a fault of the device, not of the adapter."""
    body = stress(slot="write-0", low_us=[60, 90, 120])
    (row,) = stress_coverage(body, GRIDS[kind]).rows
    assert [p.asked_us for p in row.points.made] == [60, 90, 120]
    assert all(point.surely_inside(*must_hold_us(body)) for point in row.points.made)


def grid_of_cells(lows: dict[str, int], values: list[int], slot: str) -> Coverage:
    """A shmoo against the rate."""
    body = Shmoo.model_validate(
        {"slot": slot, "low_us": lows, "against": {"axis": "baud", "values": values}}
    )
    return shmoo_coverage(body, GRIDS["fractional-divider"], strong_ohm=None)


def test_three_of_108_cells_is_no_pass() -> None:
    """At one rate a written 1 has one low time, whatever the adapter."""
    lows = {"from": 1, "to": 36, "step": 1}
    coverage = grid_of_cells(lows, [100_000, 125_000, 142_857], "write-1")
    assert (coverage.made, coverage.asked) == (3, 108)
    assert coverage.text == "3 of 108 cells made"
    assert coverage.why == (
        "not made: lows that are no whole bits of a character at the row's rate (105)"
    )
    assert "beyond 7 to 10 us" in coverage.gap


def test_a_row_without_a_cell_is_a_gap() -> None:
    """A rate at which nothing could be tried was not passed."""
    lows = {"from": 60, "to": 120, "step": 10}
    coverage = grid_of_cells(lows, [75_000, 5_000_000], "write-0")
    assert coverage.gap == "in 1 of 2 rows nothing that must hold can be made"


@pytest.mark.parametrize(
    ("must_hold", "outcome"),
    [(None, Outcome.SKIPPED), ({"from_us": 5, "to_us": 12}, Outcome.ERROR)],
)
def test_what_is_not_demonstrated_is_no_pass(
    run_plan: Make,
    bench_data: Make,
    new_device: Make,
    must_hold: dict[str, float] | None,
    outcome: Outcome,
) -> None:
    """Skipped, and an error where the plan itself says what must hold."""
    body = {"slot": "write-1", "low_us": dict(SPAN), "slots": 16}
    if must_hold:
        body["must_hold"] = must_hold
    data = bench_data([new_device(0x28, 5)], kind="rate-table")
    shown = run_plan([{"stress": body}], data).shown("1", "S1")
    assert shown.outcome is outcome
    assert shown.kind == "not-demonstrated"
    assert "3 of 8 points made" in shown.message
    assert "of 8 that must hold 3 made and 3 held" in shown.message


def test_a_pass_says_how_much_of_it_was_tried(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Both ends made and held, one point between them not made."""
    low_us = {"from": 60, "to": 115, "step": 5}
    steps = [{"stress": {"slot": "write-0", "low_us": low_us, "slots": 16}}]
    data = bench_data([new_device(0x28, 5)], kind="rate-table")
    ran = run_plan(steps, data)
    shown = ran.shown("1", "S1")
    assert (ran.code, shown.outcome) == (0, Outcome.PASSED)
    assert shown.message == (
        "11 of 12 points made; of 12 that must hold 11 made and 11 held; "
        "not made: 75 us (nearest 78.12 us)"
    )


def test_a_failure_within_the_doubt_of_the_clock_is_not_booked_on_the_device(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """At 115200 baud seven bits are 60.76 us; 5 % of clock leave open what they are."""
    device = new_device(0x28, 5, time_base={"sample_us": 61.5})
    data = bench_data([device], kind="unknown")
    data["adapter"]["clock_tolerance_ppm"] = 50_000
    step = {"slot": "write-0", "low_us": [60], "slots": 16}
    shown = run_plan([{"stress": step}], data).shown("1", "S1")
    assert shown.outcome is Outcome.SKIPPED
    assert "leaves open whether that is inside what must hold" in shown.message


def test_a_harsher_cell_that_fails_is_not_held_against_the_device(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """At 120 kbaud seven bits are 58.33 us: a sound device that samples at 59 fails there.

    The cell of 60 us is then not made in that row; in the row of 150 kbaud it is.
    """
    device = new_device(0x28, 5, time_base={"sample_us": 59.0})
    low_us = {"from": 60, "to": 70, "step": 10}
    against = {"axis": "baud", "values": [120_000, 150_000, 75_000]}
    body = {"slot": "write-0", "low_us": low_us, "slots": 16, "against": against}
    body["must_hold"] = {"from_us": 60, "to_us": 70}
    shown = run_plan([{"shmoo": body}], bench_data([device])).shown("1", "S1")
    cells = {
        (row["value"], point["asked_us"]): (point["low_us"], bool(point["wrong"]))
        for row in shown.evidence["shmoo"]["rows"]
        for point in row["points"]
    }
    assert cells[120_000, 60] == (pytest.approx(58.33, abs=0.01), True)
    assert shown.outcome is Outcome.PASSED, shown.message
    assert "of 6 that must hold 3 made and 3 held" in shown.message


def test_points_outside_what_must_hold_are_no_verdict(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """They show where the edges are; nothing is passed by them."""
    steps = [{"stress": {"slot": "write-0", "low_us": [30, 40], "slots": 16}}]
    shown = run_plan(steps, bench_data([new_device(0x28, 5)])).shown("1", "S1")
    assert shown.outcome is Outcome.SKIPPED
    assert "none of the low times lies in what must hold, 60 to 120 us" in shown.message


def test_a_pull_up_that_is_not_there_is_a_row_not_made(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """As built it was tried; the strong one could not be."""
    body = {"slot": "write-0", "low_us": [60, 120], "slots": 16,
            "against": {"axis": "pull-up"}}  # fmt: skip
    ran = run_plan([{"shmoo": body}], bench_data([new_device(0x28, 5)]))
    shown = ran.shown("1", "S1")
    assert shown.outcome is Outcome.SKIPPED
    assert "2 of 4 cells made" in shown.message
    assert "not made: the fixture has no strong pull-up" in shown.message
