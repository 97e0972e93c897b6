"""Findings from recordings of real lines, and from ones made for a cause."""

from __future__ import annotations

from dataclasses import replace
from math import log
from pathlib import Path

import pytest

from harness.diagnosis.finding import Cause, Confidence, FindingSeverity
from harness.diagnosis.recorded import SAMPLE_US, findings_of
from harness.plans.execution.tracing.run import facts_of
from harness.recordings.record.quantity import (
    JudgedQuantity,
    LimitStanding,
    QuantityRow,
    ValueOwner,
)
from harness.recordings.record.shown import AnalogFacts, TraceFacts
from harness.wire.romcode import RomCode
from tests.recordings.traces import DATA, LineMaker, traced, write_vcd

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
        (
            "authenticator_33h",
            {
                (Cause.HOST, "timing", FindingSeverity.WARNING),
                (Cause.UNDECIDED, "refused-store", FindingSeverity.WARNING),
            },
        ),
        (
            "write_once_0Bh_whole_memory",
            {
                (Cause.HOST, "timing", FindingSeverity.WARNING),
                (Cause.NOISE, "glitches", FindingSeverity.NOTE),
            },
        ),
        ("two_thermometers_28h", {(Cause.DEVICE, "data-sheet", FindingSeverity.NOTE)}),
        ("octal_switch_29h_write", set()),
    ],
)
def test_findings_of_real_lines(
    name: str, expected: set[tuple[Cause, str, FindingSeverity]]
) -> None:
    """The hosts that undercut 60 us, the two spikes, the parts that are not their sheet."""
    trace = traced(DATA / f"{name}.vcd")
    found = findings_of(facts_of(name, trace), trace.quantities)
    assert {(f.cause, f.kind, f.severity) for f in found} == expected


def test_a_time_outside_is_a_fault_where_something_is_read_wrong() -> None:
    """The same low is a warning on a bus that works, and a fault on one that does not."""
    low = _judged("write-0 low", ValueOwner.HOST, 40.0, LimitStanding.OUTSIDE)
    (works,) = findings_of(FACTS, [low])
    (broken,) = findings_of(replace(FACTS, wrong_count=3), [low])
    assert (works.severity, broken.severity) == (
        FindingSeverity.WARNING,
        FindingSeverity.FAULT,
    )
    assert works.confidence is Confidence.CERTAIN
    either = _judged(
        "write-0 low or zero hold", ValueOwner.EITHER, 40.0, LimitStanding.OUTSIDE
    )
    (open_,) = findings_of(FACTS, [either])
    assert (open_.cause, open_.confidence) == (Cause.UNDECIDED, Confidence.UNDECIDED)


@pytest.mark.parametrize("beyond_us", [-0.1, 0.1])
def test_an_edge_is_slow_where_a_one_comes_after_its_sample(beyond_us: float) -> None:
    """15 us: the host's low and the rise to 70 %, by the time constant of the rise.

    From nothing to 70 % of an exponential takes ln(1/0.3) time constants, from 30 % to
    70 % ln(0.7/0.3) (arithmetic).
    """
    low_us = 6.0
    rise_us = (SAMPLE_US - low_us + beyond_us) / (log(1 / 0.3) / log(0.7 / 0.3))
    volts = AnalogFacts(low_v=0.0, high_v=5.0, falls_below_v=1.5, rises_above_v=3.5)
    known = [
        _judged("rise time", ValueOwner.LINE, rise_us, LimitStanding.NO_LIMIT),
        _judged("read low", ValueOwner.HOST, low_us, LimitStanding.WITHIN),
    ]
    facts = replace(FACTS, analog=volts)
    kinds = [finding.kind for finding in findings_of(facts, known)]
    assert kinds == (["slow-edge"] if beyond_us > 0 else [])


def test_levels_outside_the_fixture() -> None:
    low = _judged("low level, host", ValueOwner.HOST, 1.1, LimitStanding.OUTSIDE, "V")
    high = _judged("high level", ValueOwner.LINE, 2.0, LimitStanding.OUTSIDE, "V")
    found = findings_of(FACTS, [low, high])
    assert {(f.cause, f.kind) for f in found} == {
        (Cause.BUS_WIRING, "low-voltage"), (Cause.SUPPLY, "high-voltage"),
    }  # fmt: skip


def _two_hosts(path: Path, second_reset_us: float, slots: int) -> TraceFacts:
    """A match that is ended by a reset after some slots, then one that is whole."""
    rom = RomCode.build(0x28, 0x1234)
    line = LineMaker()
    line.reset()
    line.send(0x55, *rom.wire, 0xBE)
    line.bits((1, 0, 1, 1, 0, 1, 1, 0)[:slots])
    line.low(second_reset_us, 30)
    line.low(120, 480)
    line.send(0xCC, 0x44)
    line.reset()
    line.send(0xCC, 0x44)
    trace = traced(write_vcd(path / "line.vcd", line.lows, end_us=line.now + 900))
    return facts_of("line", trace)


@pytest.mark.parametrize(
    ("second_reset_us", "slots", "found"),
    [(620, 5, True), (500, 5, False), (510, 5, False), (620, 0, False)],
)
def test_a_reset_of_another_length_within_a_byte_is_of_a_second_host(
    tmp_path: Path, second_reset_us: float, slots: int, found: bool
) -> None:
    """A host's own reset may end a byte early, and its timer spreads; not both at once."""
    facts = _two_hosts(tmp_path, second_reset_us, slots)
    kinds = {finding.kind for finding in findings_of(facts, ())}
    assert ("second-master" in kinds) == found


def test_a_store_without_confirmation_is_undecided() -> None:
    """The refused copy of a real recording: why, no recording shows alone."""
    trace = traced(DATA / "authenticator_33h.vcd")
    (store,) = [
        found
        for found in findings_of(facts_of("a", trace), ())
        if found.kind == "refused-store"
    ]
    assert store.confidence is Confidence.UNDECIDED
    assert "copy scratchpad: answered by FF" in store.measured[0]
    assert len(store.discriminators) == 3
