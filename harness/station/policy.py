"""May this unit be tested, and what is done with it afterwards: the plan's rules.

Only failures use up retests. An error is the harness's own fault and never counts
against the unit, but a unit that goes away during its test may also be dying, so from
its second time on that counts like a failure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.plans.schema.unit import UnitRules
from harness.records import Outcome
from harness.results.ledger.entry import KNOWN_ELSEWHERE, UNIT_GONE, UnitTest


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStanding:
    """What a unit went through before, under one plan.

    Attributes:
        passed: tests that it passed.
        failed: tests that it failed.
        gone: tests during which it went away.
        last_at: when it was tested last, UTC; empty if never.
    """

    passed: int = 0
    failed: int = 0
    gone: int = 0
    last_at: str = ""

    @property
    def spent(self) -> int:
        """Tests that count against the unit."""
        return self.failed + max(0, self.gone - 1)


def standing_of(tests: Iterable[UnitTest], *, plan_title: str) -> UnitStanding:
    """Add up a unit's tests; each run counts once, tests of other plans do not."""
    runs = {t.run_id: t for t in tests if t.plan_title == plan_title}
    outcomes = [t.outcome for t in runs.values()]
    kinds = [t.reason.kind for t in runs.values()]
    return UnitStanding(
        passed=outcomes.count(Outcome.PASSED),
        failed=outcomes.count(Outcome.FAILED),
        gone=kinds.count(UNIT_GONE),
        last_at=max((t.started_at for t in runs.values()), default=""),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What the operator does with the unit.

    Attributes:
        goes_to: the bin, in the plan's words; empty if it goes in again at once.
        retest: True if it may be tested again.
        words: whole sentences, the most urgent first.
    """

    goes_to: str
    retest: bool
    words: tuple[str, ...]


TAKE_OUT = "Take the unit out."
"""Last of the words wherever they do not say so themselves."""


def refusal(
    rules: UnitRules, standing: UnitStanding, *, is_same: bool
) -> Advice | None:
    """Why a unit is not tested at all; None if it is.

    Args:
        rules: the plan's.
        standing: what the serial number went through before.
        is_same: True if the unit has the ROM codes that were seen with the number.
    """
    if standing.spent > rules.retests:
        times = _times(standing.spent)
        return Advice(
            goes_to=rules.bins.failed,
            retest=False,
            words=(f"It failed {times} already, no retest is left.", TAKE_OUT),
        )
    if standing.passed and rules.passed_again == "refuse":
        at = standing.last_at[:19].replace("T", " ")
        passed = f"This serial number passed before ({at} UTC)."
        if is_same:
            return Advice(
                goes_to=rules.bins.passed, retest=False, words=(passed, TAKE_OUT)
            )
        return Advice(
            goes_to=rules.bins.error,
            retest=False,
            words=(
                passed,
                "This is not the unit that passed, or it does not answer: two units "
                "must not carry one number. Compare the labels.",
                TAKE_OUT,
            ),
        )
    return None


def advice(rules: UnitRules, before: UnitStanding, test: UnitTest) -> Advice:
    """What to do with a unit after its test.

    Args:
        rules: the plan's.
        before: what the unit went through before this test.
        test: this test.
    """
    if test.outcome in {Outcome.PASSED, Outcome.SKIPPED}:
        return Advice(goes_to=rules.bins.passed, retest=False, words=(TAKE_OUT,))
    why = tuple(text for text in (test.reason.message, test.reason.hint) if text)
    if test.reason.kind == KNOWN_ELSEWHERE:
        return Advice(
            goes_to=rules.bins.failed,
            retest=False,
            words=(*why, "No retest: put both units aside.", TAKE_OUT),
        )
    return _after_no_pass(rules, before, test, why)


def _after_no_pass(
    rules: UnitRules, before: UnitStanding, test: UnitTest, why: tuple[str, ...]
) -> Advice:
    """Whether a retest is left, and for what: a failure, a fault of the bench, a pull."""
    gone = test.reason.kind == UNIT_GONE
    spent = before.spent + (before.gone > 0 if gone else test.outcome is Outcome.FAILED)
    left = rules.retests + 1 - spent
    if left <= 0:
        return Advice(
            goes_to=rules.bins.failed,
            retest=False,
            words=(*why, f"No retest is left: it failed {_times(spent)}.", TAKE_OUT),
        )
    if test.outcome is Outcome.ERROR and not gone:
        return Advice(
            goes_to=rules.bins.error,
            retest=True,
            words=(
                *why,
                "Not the unit's fault: cure the fault, then test it again.",
                TAKE_OUT,
            ),
        )
    if gone:
        return Advice(
            goes_to="",
            retest=True,
            words=(
                *why,
                "That test does not count: take the unit out and put it in again.",
            ),
        )
    again = "1 retest is" if left == 1 else f"{left} retests are"
    return Advice(
        goes_to="",
        retest=True,
        words=(*why, f"{again} left: take the unit out, look at it, put it in again."),
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
