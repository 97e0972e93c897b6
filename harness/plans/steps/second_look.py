"""A second look: what a few echoes made a failure is asked once more before it is booked.

The proof behind a failure shows that the adapter is sound by then. One that spoils a
single answer now and then passes it: old characters in place of new ones, one chunk
inverted. So does a spike on the line, or a device that failed once. Whatever it was, the
same failure is unlikely twice in a row unless device or line make it often: a fault that
spoils a share p of such answers is seen again with probability p.

- It fails again: the failure stands, of whatever kind the second is, since noise seldom
  does the same thing twice.
- It does not: an error, which says that the cause cannot be determined.

Failures that rest on a value whose check value was right need none: its bits travelled.
A reset and a low line are asked twice where they are found (``driver.resets``,
``driver.bursts``), stressed slots where they are tried (``steps.slots.probe``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    DeviceError,
    EchoDoubtful,
    LineError,
    NobodyAnswers,
    RomCodeInvalid,
    SlotDisturbed,
    StillBusy,
)
from harness.plans.schema.bodies import Configure, StepBody
from harness.plans.schema.checks import CheckBody
from harness.plans.schema.transact import Transact
from harness.records import Attempt, CheckResult, Outcome

_BY_ECHO = frozenset(
    fault.kind
    for fault in (
        AnswerImpossible,
        CheckValueWrong,
        DeviceAbsent,
        NobodyAnswers,
        RomCodeInvalid,
        SlotDisturbed,
        StillBusy,
    )
) | {"count"}
"""Kinds of failure that a few changed echoes make by themselves."""

_PRESENCE = "presence-"
"""Begins the kinds that a reset step has in addition to ``no-presence``."""

ODD = "odd"
"""Key of evidence: resets or scans of a step that were not as the others or as wanted.
Two of them in one step are the second look already."""

UNPROVED = "unproved"
"""Key of evidence: the answer came once and has no check value, so its bits prove nothing."""


_CANNOT_TELL = "not so when asked again at once: whether device, line or adapter did it cannot be determined"


def fault_not_again(fault: LineError | DeviceError) -> EchoDoubtful:
    """The error that a fault of line or device is which was not seen again."""
    return EchoDoubtful(
        f"{fault.what}; {_CANNOT_TELL}",
        where=fault.where,
        facts={**fault.facts, "doubted": fault.kind},
    )


def by_echo(result: CheckResult) -> bool:
    """True of a failure that a few changed echoes make by themselves."""
    if result.outcome is not Outcome.FAILED or result.evidence.get(ODD, 1) > 1:
        return False
    return (
        result.kind in _BY_ECHO
        or ODD in result.evidence
        or UNPROVED in result.evidence
        or result.kind.startswith(_PRESENCE)
    )


def may_look_again(tries: Sequence[Attempt], body: StepBody) -> bool:
    """True if a failure of the next try would be the first, and may be asked again.

    A step with hazards is not done again unasked.
    """
    if isinstance(body, CheckBody | Configure | Transact) and body.hazard:
        return False
    return not any(one.outcome is Outcome.FAILED for one in tries)


def seen_twice(result: CheckResult, second: CheckResult) -> CheckResult:
    """A failure that was seen twice, else an error that says that it was not."""
    look = {"outcome": str(second.outcome), "kind": second.kind}
    if second.outcome is Outcome.ERROR:
        judged = replace(
            second,
            message=f"{second.message}; that was when it was asked again after: "
            f"{result.kind} {result.message}",
            evidence={**second.evidence, "doubted": result.kind},
        )
    else:
        judged = result if second.outcome is Outcome.FAILED else not_again(result)
    return replace(judged, evidence={**judged.evidence, "second_look": look})


def not_again(result: CheckResult) -> CheckResult:
    """The error that a failure is which was not seen again."""
    return replace(
        result,
        outcome=Outcome.ERROR,
        kind=EchoDoubtful.kind,
        message=f"{result.message}; {_CANNOT_TELL}",
        hint=f"{EchoDoubtful.default_hint}; `retries` at the step lets it pass on a "
        "second try",
        evidence={**result.evidence, "doubted": result.kind},
    )
