"""Retests, refusals and bins by the plan's rules."""

from __future__ import annotations

import pytest

from harness.plans.schema.unit import UnitRules
from harness.records import Outcome
from harness.results.ledger.entry import Reason, UnitFacts, UnitTest
from harness.station.policy import UnitStanding, advice, refusal, standing_of

RULES = UnitRules(retests=1)


def a_test(
    outcome: Outcome, kind: str = "", *, run_id: str = "r1", plan: str = "probe unit"
) -> UnitTest:
    """A test of an invented unit."""
    return UnitTest(
        unit=UnitFacts(serial="CS-1"),
        run_id=run_id,
        outcome=outcome,
        ending="complete",
        reason=Reason(step="read", kind=kind, message="too warm", hint="look"),
        rom_codes=(),
        readings=(),
        started_at=f"2026-03-01T06:00:0{run_id[-1]}Z",
        finished_at="",
        duration_s=1.0,
        plan_title=plan,
        plan_sha256="",
        fixture_title="",
        fixture_sha256="",
        host="",
        version="",
        journal="",
    )


def test_a_standing_adds_up_runs_of_one_plan() -> None:
    """Each run counts once; tests of another plan say nothing about this one."""
    failed = a_test(Outcome.FAILED, run_id="r1")
    other = a_test(Outcome.FAILED, run_id="r2", plan="other")
    gone = a_test(Outcome.ERROR, "unit-gone", run_id="r3")
    passed = a_test(Outcome.PASSED, run_id="r4")
    found = standing_of([failed, failed, other, gone, passed], plan_title="probe unit")
    assert found == UnitStanding(
        passed=1, failed=1, gone=1, last_at="2026-03-01T06:00:04Z"
    )


@pytest.mark.parametrize(
    ("standing", "refused"),
    [
        (UnitStanding(), False),
        (UnitStanding(failed=1), False),
        (UnitStanding(failed=2), True),
        (UnitStanding(failed=1, gone=1), False),
        (UnitStanding(failed=1, gone=2), True),
        (UnitStanding(passed=1), True),
    ],
)
def test_who_is_refused(standing: UnitStanding, refused: bool) -> None:
    """Failures use up retests, a unit that goes away does from the second time on."""
    assert (refusal(RULES, standing, is_same=True) is not None) == refused


def test_passed_units_may_come_again_if_the_plan_says_so() -> None:
    """With ``passed_again: test`` a golden unit is tested as often as wanted."""
    rules = UnitRules(passed_again="test")
    assert refusal(rules, UnitStanding(passed=50), is_same=True) is None


@pytest.mark.parametrize(
    ("before", "outcome", "kind", "goes_to", "retest"),
    [
        (UnitStanding(), Outcome.PASSED, "", "passed tray", False),
        (UnitStanding(), Outcome.FAILED, "limit", "", True),
        (UnitStanding(failed=1), Outcome.FAILED, "limit", "failed bin", False),
        (UnitStanding(failed=1), Outcome.ERROR, "no-echo", "hold shelf", True),
        (UnitStanding(), Outcome.ERROR, "unit-gone", "", True),
        (
            UnitStanding(failed=1, gone=1),
            Outcome.ERROR,
            "unit-gone",
            "failed bin",
            False,
        ),
        (UnitStanding(), Outcome.FAILED, "rom-code-known", "failed bin", False),
    ],
)
def test_what_is_done_with_a_unit(
    before: UnitStanding, outcome: Outcome, kind: str, goes_to: str, retest: bool
) -> None:
    """An error never counts against the unit; a foreign ROM code bars every retest."""
    found = advice(RULES, before, a_test(outcome, kind))
    assert (found.goes_to, found.retest) == (goes_to, retest)
    if outcome is not Outcome.PASSED:
        assert found.words[:2] == ("too warm", "look")
