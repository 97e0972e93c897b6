"""Steps that run only if every step before them passed (``only_if_passed``).

A lock, a secret or a unit's record cannot be taken back, so what a plan marks so waits for
the verdict on all that this run did before. A step that failed before it leaves it out:
*skipped*. Where a step before it was skipped or did not run, nobody can say that all
passed, and a unit that lacks its lock must not pass either: *error*.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.errors import StepMissing
from harness.plans.execution.resume import Resumption
from harness.plans.schema.steps import StepItem
from harness.plans.steps.attempts import from_fault
from harness.plans.steps.context import Context
from harness.records import CheckResult, Outcome

KIND = "not-all-passed"
_BAD = frozenset({Outcome.FAILED, Outcome.ERROR})


class PassedBefore:
    """What became of each step of a run so far.

    Args:
        context: of the run.
        resumed: run that is taken up again, or None.
    """

    def __init__(self, context: Context, resumed: Resumption | None) -> None:
        finished = resumed.finished if resumed else {}
        self._context = context
        self._guarded = frozenset(_guarded(context.plan.steps, around=False))
        self._finished = frozenset(finished)
        self._bad = self._skipped = ""
        if resumed and resumed.worst in _BAD:
            self._bad = f"this run before it was cut: {resumed.worst}"
        for step, outcome in finished.items():
            self.take(step, outcome)

    def guards(self, item: StepItem) -> bool:
        """True if the step, or one around it, waits for all before it to pass."""
        return item.id in self._guarded

    def take(self, step: str, outcome: Outcome) -> None:
        """A step came to its end; the first that did not pass is kept for the message."""
        told = f"{self._context.called(step)}: {outcome}"
        if outcome in _BAD:
            self._bad = self._bad or told
        elif outcome is Outcome.SKIPPED:
            self._skipped = self._skipped or told

    def refusal(self, item: StepItem) -> CheckResult | None:
        """The result of a step that must not be done; None if it may."""
        if not self.guards(item):
            return None
        if self._bad:
            return self.leave_out(
                item, f"not everything before it passed ({self._bad})"
            )
        doubt = self._skipped or self._not_run(item)
        if not doubt:
            return None
        fault = StepMissing(
            f"not done: it is for units of which everything before it passed ({doubt})",
            hint="run the whole plan, or take that step out of it",
        )
        return from_fault(fault, self._context)

    def leave_out(self, item: StepItem, why: str) -> CheckResult:
        """The result of a step that is left out because of what came before."""
        self._context.waived.add(item.id)
        return CheckResult(
            outcome=Outcome.SKIPPED,
            kind=KIND,
            message=f"not done, for {why}",
            hint="see that step first",
        )

    def _not_run(self, item: StepItem) -> str:
        """The first step before this one that this run did not do."""
        for before in self._context.plan.leaf_steps():
            if before.id == item.id:
                break
            if before.id not in self._context.ran | self._finished:
                why = self._context.left_out(before.id)
                return f"{self._context.called(before.id)} was not run{why}"
        return ""


def _guarded(steps: Iterable[StepItem], *, around: bool) -> Iterator[str]:
    for item in steps:
        guarded = around or item.body.only_if_passed
        if guarded and not item.steps:
            yield item.id
        yield from _guarded(item.steps, around=guarded)
