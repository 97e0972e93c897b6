"""Counts of a shift."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.records import Outcome
from harness.results.ledger_entry import Reason, UnitFacts, UnitTest
from harness.station.tally import Counts, Tally, summary_lines

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


def a_test(serial: str, outcome: Outcome, step: str = "read") -> UnitTest:
    """A test of an invented unit."""
    reason = Reason() if outcome is Outcome.PASSED else Reason(step=step, kind="limit")
    unit = UnitFacts(serial=serial)
    return replace(TEST, unit=unit, outcome=outcome, reason=reason)


@pytest.fixture
def counts() -> Counts:
    """Four units: one good, one good at its retest, one bad, one good after an error."""
    tally = Tally()
    for test in (
        a_test("CS-1", Outcome.PASSED),
        a_test("CS-2", Outcome.FAILED),
        a_test("CS-2", Outcome.PASSED),
        a_test("CS-3", Outcome.FAILED, "reset"),
        a_test("CS-3", Outcome.FAILED, "reset"),
        a_test("CS-4", Outcome.ERROR),
        a_test("CS-4", Outcome.PASSED),
    ):
        tally.add(test)
    tally.take_time("left", 120.0)
    tally.take_time("right", 90.0)
    return tally.counts()


def test_first_pass_yield(counts: Counts) -> None:
    """Two of four passed their first judged test; a retest does not mend that."""
    assert (counts.units, counts.passed, counts.failed) == (4, 3, 1)
    assert counts.first_pass_yield == 0.5
    assert counts.yield_text == "50.0 % (2 of 4)"


def test_tests_errors_and_rate(counts: Counts) -> None:
    """The rate is over the time of the place that worked longest: 4 in 120 s."""
    assert (counts.tests, counts.errors) == (7, 1)
    assert counts.units_per_hour == pytest.approx(120)


def test_top_failures(counts: Counts) -> None:
    """Most first, by step and kind."""
    assert counts.top_failures[0] == ("read: limit", 2)
    assert ("reset: limit", 2) in counts.top_failures


def test_an_empty_shift() -> None:
    """No unit, no yield, and nothing divided by zero."""
    assert Counts().yield_text == "no unit yet"
    assert "units            0 (0 passed, 0 failed)" in list(summary_lines(Counts()))
