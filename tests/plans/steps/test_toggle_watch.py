"""A part that each match toggles: every step is watched, by search alone (public reports, retold)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.records import Outcome
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

SERIAL = 0x77
POLL = {
    "kind": "other-master",
    "period_s": 1000,
    "sends": "55" + RomCode.build(0x05, SERIAL).wire.hex(),
}
STEPS = """\
- enumerate: {}
- wait: {for_s: 4}
- wait: {for_s: 4}
"""


@pytest.fixture
def switch(bench_data: Make, new_device: Make) -> Make:
    """Fixture data with one such switch, and faults."""
    return lambda *faults: bench_data([new_device(0x05, SERIAL)], faults=list(faults))


def notes(ran: Any) -> list[str]:  # noqa: ANN401 - a finished run
    """What the run noted about it."""
    return [
        event["text"]
        for event in ran.events
        if event["event"] == "note" and "matched by" in event["text"]
    ]


def test_nobody_matches_it(run_plan: Make, switch: Make) -> None:
    """Nothing to say but how it was and is."""
    ran = run_plan(STEPS, switch())
    assert ran.code == 0
    (line,) = notes(ran)
    assert (
        "channel_a_output_off 1 at the start, 1 at the end; matched by no step" in line
    )


def test_somebody_else_matches_it(run_plan: Make, switch: Make) -> None:
    """The step in which it happened fails, names the state before and after, no other."""
    ran = run_plan(STEPS, switch(POLL | {"at_s": 3.0}))
    assert ran.code == 1
    results = [(of.step, r.shown) for of, r in ran.record.results]
    bad = [(step, r) for step, r in results if r.outcome is not Outcome.PASSED]
    ((step, result),) = bad
    assert (step, result.kind) == ("2", "toggled")
    assert (
        "channel_a_output_off was 1 before this step and is 0 after it"
        in result.message
    )
    assert "another controller addresses it" in result.message
    assert result.message.endswith("cause: configuration")
    assert result.hint
    assert result.evidence["facts"]["matches"] == 0
    assert "1 at the start, 0 at the end" in notes(ran)[0]


def test_off_again_may_be_a_lost_supply(run_plan: Make, switch: Make) -> None:
    """Two polls: on by the first, off by the second, which a power-up would be too."""
    ran = run_plan(STEPS, switch(POLL | {"at_s": 2.5, "period_s": 4.0}))
    second = ran.shown("3", "S1")
    assert "is 1 after it" in second.message
    assert second.message.endswith("cause: configuration or supply")


def test_a_step_may_switch_it(run_plan: Make, switch: Make) -> None:
    """What a plan asks for is no failure; the match is on the list."""
    steps = """\
- enumerate: {}
- configure: {settings: {channel_a_output: on}, hazard: output-switching}
- wait: {for_s: 1}
"""
    ran = run_plan(steps, switch(), allow=frozenset({Hazard.OUTPUT_SWITCHING}))
    assert ran.code == 0
    assert "1 at the start, 0 at the end; matched by step 2 1x" in notes(ran)[0]


def test_checks_put_it_back(run_plan: Make, switch: Make) -> None:
    """An even number of matches, all of them listed."""
    steps = """\
- enumerate: {}
- check: {function: toggle, with: {times: 3}, hazard: output-switching}
"""
    ran = run_plan(steps, switch(), allow=frozenset({Hazard.OUTPUT_SWITCHING}))
    assert ran.code == 0
    assert "matched by step 2 4x" in notes(ran)[0]


def test_other_kinds_cost_nothing(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """No such part, no traffic, no note."""
    ran = run_plan(STEPS, bench_data([new_device(0x01, SERIAL)]))
    assert not notes(ran)
