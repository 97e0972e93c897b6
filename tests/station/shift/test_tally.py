"""Counts of a shift."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from harness.records import Outcome
from harness.results.ledger.entry import Reason, UnitFacts, UnitTest
from harness.station.shift.tally import Counts, ShiftTally, summary_lines

TEST = UnitTest(
    unit=UnitFacts(serial="CS-1"),
    run_id="r1",
    outcome=Outcome.PASSED,
    ending="complete",
    reason=Reason(),
    rom_codes=(),
    readings=(),
    started_at="",
    finished_at="",
    duration_s=1.0,
    plan_title="",
    plan_sha256="",
    fixture_title="",
    fixture_sha256="",
    host="",
    version="",
    journal="",
)


def a_test(
    serial: str,
    outcome: Outcome,
    step: str = "read",
    *,
    place: str = "left",
    from_s: int = 0,
) -> UnitTest:
    """A test of an invented unit, which takes ten seconds."""
    reason = Reason() if outcome is Outcome.PASSED else Reason(step=step, kind="limit")
    return replace(
        TEST,
        unit=UnitFacts(serial=serial, place=place),
        outcome=outcome,
        reason=reason,
        started_at=_at(from_s),
        finished_at=_at(from_s + 10),
    )


def _at(after_s: int) -> str:
    moment = datetime(2026, 3, 1, 6, tzinfo=UTC) + timedelta(seconds=after_s)
    return moment.isoformat().replace("+00:00", "Z")


@pytest.fixture
def counts() -> Counts:
    """Four units: one good, one good at its retest, one bad, one good after an error."""
    tally = ShiftTally()
    for test in (
        a_test("CS-1", Outcome.PASSED),
        a_test("CS-2", Outcome.FAILED, place="right"),
        a_test("CS-2", Outcome.PASSED, place="right", from_s=80),
        a_test("CS-3", Outcome.FAILED, "reset", from_s=20),
        a_test("CS-3", Outcome.FAILED, "reset", from_s=50),
        a_test("CS-4", Outcome.ERROR, from_s=90),
        a_test("CS-4", Outcome.PASSED, from_s=110),
    ):
        tally.add(test)
    return tally.counts()


def test_first_pass_yield(counts: Counts) -> None:
    """Two of four passed their first judged test; a retest does not mend that."""
    assert (counts.units, counts.passed, counts.failed) == (4, 3, 1)
    assert counts.first_pass_yield == 0.5
    assert counts.yield_text == "50.0 % (2 of 4)"


def test_tests_and_errors(counts: Counts) -> None:
    """Each test is counted, also one without a verdict; four units have no rate yet."""
    assert (counts.tests, counts.errors) == (7, 1)
    assert counts.units_per_hour is None


def _ten_units(*, gap_s: int = 10, simulated: bool = False) -> Counts:
    """Ten units of 10 s each at one place, a gap before the last one."""
    tally = ShiftTally()
    for number in range(10):
        from_s = 10 * number + (gap_s - 10 if number == 9 else 0)
        test = a_test(f"CS-{number}", Outcome.PASSED, from_s=from_s)
        tally.add(replace(test, simulated=simulated))
    return tally.counts()


def test_rate_of_ten_units() -> None:
    """Ten units in 100 s; nine of them say nothing yet."""
    assert _ten_units().units_per_hour == pytest.approx(360)


def test_simulated_units_have_no_rate() -> None:
    """Their time is not that of a line; the summary says what they are."""
    counts = _ten_units(simulated=True)
    assert counts.units_per_hour is None
    assert next(summary_lines(counts)) == "10 PASSED, 0 FAILED, SIMULATED"


def test_a_break_is_no_work() -> None:
    """A shift that goes on after lunch has worked as long as it did before and after."""
    assert _ten_units(gap_s=4000).units_per_hour == pytest.approx(360)


def test_a_journal_without_times_counts_too() -> None:
    """It has a verdict; only its time is not known."""
    tally = ShiftTally()
    tally.add(replace(a_test("CS-1", Outcome.PASSED), started_at="", finished_at=""))
    assert (tally.counts().units, tally.counts().units_per_hour) == (1, None)


def test_top_failures(counts: Counts) -> None:
    """Most first, by step and kind."""
    assert counts.top_failures[0] == ("read: outside its limits", 2)
    assert ("reset: outside its limits", 2) in counts.top_failures


def test_an_empty_shift() -> None:
    """No unit, no yield, and nothing divided by zero."""
    assert Counts().yield_text == "no unit yet"
    assert next(summary_lines(Counts())) == "0 PASSED, 0 FAILED"
