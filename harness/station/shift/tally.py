"""Counts of a shift: units, first-pass yield, top failures, units an hour.

First-pass yield: of the units whose first judged test of the shift came to a verdict
about the unit, the share that passed it. Errors are no verdict about a unit.

Time at work is that of the busiest position, from its first test's start to its last one's
end; a pause longer than ``PAUSE_S`` is a break. All of it comes from the tests, so that
a shift's page, made from its journals, says the same as the screen did.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from threading import Lock

from harness.records import Outcome
from harness.results.ledger.entry import UnitTest
from harness.results.reasons import reason_words
from harness.results.wording import one_line

_JUDGED = (Outcome.PASSED, Outcome.FAILED)
_TOP = 3
_MOST_NAMED = 10
"""Failed units told one by one; the page has all."""

FEWEST_FOR_RATE = 10
"""Finished units before units an hour are worth saying (common practice, no source)."""

PAUSE_S = 900.0
"""Between two tests of a position; what is longer is no work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """A shift so far.

    Attributes:
        units: different units that came to a verdict.
        passed: units whose last verdict is passed.
        failed: units whose last verdict is failed.
        first_passed: units that passed their first judged test.
        tests: all tests, retests included.
        errors: tests without a verdict about the unit.
        top_failures: reason and how many tests it failed, most first.
        units_per_hour: finished units over the time at work; None of fewer than
            ``FEWEST_FOR_RATE``, and of simulated ones, whose time is not real.
        simulated: tests that were rehearsals.
        failed_units: the last judged test of each unit that failed it.
    """

    units: int = 0
    passed: int = 0
    failed: int = 0
    first_passed: int = 0
    tests: int = 0
    errors: int = 0
    top_failures: tuple[tuple[str, int], ...] = ()
    units_per_hour: float | None = None
    simulated: int = 0
    failed_units: tuple[UnitTest, ...] = ()

    @property
    def first_pass_yield(self) -> float | None:
        """Share of units that passed their first judged test; None before any."""
        return self.first_passed / self.units if self.units else None

    @property
    def rate_text(self) -> str:
        """Units an hour as people read it; empty where there is no such rate."""
        rate = self.units_per_hour
        return "" if rate is None else f"{rate:.0f} units an hour"

    @property
    def yield_text(self) -> str:
        """First-pass yield as people read it."""
        share = self.first_pass_yield
        if share is None:
            return "no unit yet"
        return f"{100 * share:.1f} % ({self.first_passed} of {self.units})"


class ShiftTally:
    """Takes tests in as they end; safe to call from several positions."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._first: dict[str, Outcome] = {}
        self._last: dict[str, UnitTest] = {}
        self._tests = 0
        self._errors = 0
        self._simulated = 0
        self._reasons: Counter[str] = Counter()
        self._busy: dict[str, float] = {}
        self._ended: dict[str, datetime] = {}

    def add(self, test: UnitTest) -> None:
        """Take in one test."""
        with self._lock:
            self._tests += 1
            self._simulated += test.simulated
            if test.outcome in _JUDGED:
                self._first.setdefault(test.key, test.outcome)
                self._last[test.key] = test
            elif test.outcome is Outcome.ERROR:
                self._errors += 1
            if test.outcome not in {Outcome.PASSED, Outcome.SKIPPED}:
                self._reasons[reason_text(test)] += 1
            self._take_time(test)

    def add_invalid(self, reason: str) -> None:
        """Take in a test that left no journal to read its verdict from."""
        with self._lock:
            self._tests += 1
            self._errors += 1
            self._reasons[reason] += 1

    def _take_time(self, test: UnitTest) -> None:
        """The test, and the handling before it."""
        position = test.unit.place
        try:
            began = datetime.fromisoformat(test.started_at)
            ended = datetime.fromisoformat(test.finished_at)
        except ValueError:  # a journal of another make; its time is not known
            return
        handling_s = (began - self._ended.get(position, began)).total_seconds()
        worked_s = max(0.0, (ended - began).total_seconds())
        if 0 < handling_s <= PAUSE_S:
            worked_s += handling_s
        self._busy[position] = self._busy.get(position, 0.0) + worked_s
        self._ended[position] = ended

    def counts(self) -> Counts:
        """The shift so far."""
        with self._lock:
            last, hours = list(self._last.values()), max(self._busy.values(), default=0)
            units, outcomes = len(last), [test.outcome for test in last]
            is_rate = hours and units >= FEWEST_FOR_RATE and not self._simulated
            return Counts(
                units=units,
                passed=outcomes.count(Outcome.PASSED),
                failed=outcomes.count(Outcome.FAILED),
                first_passed=list(self._first.values()).count(Outcome.PASSED),
                tests=self._tests,
                errors=self._errors,
                top_failures=tuple(self._reasons.most_common(_TOP)),
                units_per_hour=units / (hours / 3600) if is_rate else None,
                simulated=self._simulated,
                failed_units=tuple(t for t in last if t.outcome is Outcome.FAILED),
            )


def reason_text(test: UnitTest) -> str:
    """Why a test did not pass, in few words: the step and the reason."""
    return (
        f"{test.reason.step}: {reason_words(test.reason.kind)}".strip(": ") or "unknown"
    )


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def summary_lines(counts: Counts) -> Iterator[str]:
    """The shift in words, the verdict and the failed units first."""
    mark = ", SIMULATED" if counts.simulated else ""
    yield f"{counts.passed} PASSED, {counts.failed} FAILED{mark}"
    for test in counts.failed_units[:_MOST_NAMED]:
        where = f"{test.unit.place}, " if test.unit.place else ""
        message = test.reason.message or reason_words(test.reason.kind)
        yield one_line(f"FAILED {test.key}, {where}{test.reason.step}: {message}")
        if test.reason.hint:
            yield one_line(f"    look first: {test.reason.hint}")
    if (more := counts.failed - _MOST_NAMED) > 0:
        yield f"and {more} more units failed, in shift.html"
    yield f"first-pass yield {counts.yield_text}"
    retests = counts.tests - counts.errors - counts.units
    yield (
        f"tests            {counts.tests} ({_counted(retests, 'retest')}, "
        f"{counts.errors} without a verdict)"
    )
    if counts.units_per_hour is not None:
        yield f"units an hour    {counts.units_per_hour:.0f}"
    if counts.top_failures:
        of_all = "; ".join(
            f"{count} x {reason}" for reason, count in counts.top_failures
        )
        yield f"not passed       {of_all}"
