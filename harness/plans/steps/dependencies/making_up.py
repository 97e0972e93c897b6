"""Switching as the plan does before a step, where that was left out."""

from __future__ import annotations

from harness.plans.schema.steps import StepItem
from harness.plans.steps.context import Context
from harness.plans.steps.table import KINDS
from harness.records import Outcome

_KEEPS_SWITCHES = frozenset({"switch", "wait", "prompt", "adjust", "meter"})
"""Steps that ask nothing of the bus, so that nothing is switched for them."""

_BAD = frozenset({Outcome.FAILED, Outcome.ERROR})

_MADE_UP = frozenset({"switch", "adjust"})
"""Steps whose effect lasts, and is made up for where they were left out."""


def make_up_switches(context: Context, item: StepItem) -> None:
    """Switch and adjust as the plan does before a step, where that was left out; noted.

    What cannot be done is reported by the step itself, which finds it so.
    """
    if item.kind in _KEEPS_SWITCHES:
        return
    remarks = []
    for before in list(context.steps_before()):
        if before.kind not in _MADE_UP or before.id in context.ran:
            continue
        context.ran.add(before.id)
        context.step = before.id
        done = list(KINDS[before.kind].run(context, before.body))
        told = f"{context.called(before.id)} was not run"
        told += f"{context.left_out(before.id)}: it was done for this step"
        if any(result.outcome in _BAD for result in done):
            told += f", and ended so: {done[0].message}"
        remarks.append(told)
    context.step = item.id
    for told in remarks:
        context.remark(told)
