"""Findings from recordings of real lines, and from ones made for a cause."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.diagnosis.finding import Cause, Sure, Weight
from harness.diagnosis.recorded import RISE_TO_HIGH, SAMPLE_US, findings_of
from harness.plans.execution.tracing.run import facts_of
from harness.recordings.record.quantity import (
    JudgedQuantity,
    LimitStanding,
    QuantityRow,
    ValueOwner,
)
from harness.recordings.record.shown import TraceFacts
from tests.recordings.traces import DATA, traced

FACTS = TraceFacts(
    recording="a.csv", channel="volts", duration_s=1.0, edges=10, interval_us=0.1,
    doubt_us=0.1,
)  # fmt: skip


def _judged(
    name: str, side: ValueOwner, value: float, standing: LimitStanding, unit: str = "us"
) -> JudgedQuantity:
    return JudgedQuantity(
        row=QuantityRow(name=name, side=side, unit=unit, loosest_low=60.0),
        count=1, minimum=value, median=value, maximum=value, deviation=None, doubt=0.1,
        margin=value - 60.0, outside=1, doubtful=0, some_only=0, standing=standing,
        worst=(), bins=((value, 1),),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("authenticator_33h", {(Cause.HOST, "timing", Weight.WARNING)}),
        (
            "write_once_0Bh_whole_memory",
            {
                (Cause.HOST, "timing", Weight.WARNING),
                (Cause.NOISE, "glitches", Weight.NOTE),
            },
        ),
        ("two_thermometers_28h", {(Cause.DEVICE, "data-sheet", Weight.NOTE)}),
        ("octal_switch_29h_write", set()),
    ],
)
def test_findings_of_real_lines(
    name: str, expected: set[tuple[Cause, str, Weight]]
) -> None:
    """The hosts that undercut 60 us, the two spikes, the parts that are not their sheet."""
    trace = traced(DATA / f"{name}.vcd")
    found = findings_of(facts_of(name, trace), trace.quantities)
    assert {(f.cause, f.kind, f.weight) for f in found} == expected


def test_a_time_outside_is_a_fault_where_something_is_read_wrong() -> None:
    """The same low is a warning on a bus that works, and a fault on one that does not."""
    low = _judged("write-0 low", ValueOwner.HOST, 40.0, LimitStanding.OUTSIDE)
    (works,) = findings_of(FACTS, [low])
    (broken,) = findings_of(replace(FACTS, wrong_count=3), [low])
    assert (works.weight, broken.weight) == (Weight.WARNING, Weight.FAULT)
    assert works.sure is Sure.CERTAIN
    either = _judged(
        "write-0 low or zero hold", ValueOwner.EITHER, 40.0, LimitStanding.OUTSIDE
    )
    (open_,) = findings_of(FACTS, [either])
    assert (open_.cause, open_.sure) == (Cause.UNDECIDED, Sure.UNDECIDED)


@pytest.mark.parametrize("beyond_us", [-0.1, 0.1])
def test_an_edge_is_slow_where_a_one_comes_after_its_sample(beyond_us: float) -> None:
    """15 us: the host's low and the rise to 70 %, by the time constant of the rise."""
    low_us = 6.0
    rise_us = (SAMPLE_US - low_us + beyond_us) / RISE_TO_HIGH
    known = [
        _judged(
            "rise time (30 to 70 %)", ValueOwner.LINE, rise_us, LimitStanding.NO_LIMIT
        ),
        _judged("read low", ValueOwner.HOST, low_us, LimitStanding.WITHIN),
    ]
    kinds = [finding.kind for finding in findings_of(FACTS, known)]
    assert kinds == (["slow-edge"] if beyond_us > 0 else [])


def test_levels_outside_the_fixture() -> None:
    low = _judged("low level", ValueOwner.LINE, 1.1, LimitStanding.OUTSIDE, "V")
    high = _judged("high level", ValueOwner.LINE, 2.0, LimitStanding.OUTSIDE, "V")
    found = findings_of(FACTS, [low, high])
    assert {(f.cause, f.kind) for f in found} == {
        (Cause.BUS_WIRING, "low-level"), (Cause.SUPPLY, "high-level"),
    }  # fmt: skip
