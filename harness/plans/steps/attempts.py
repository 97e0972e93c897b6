"""Tries and verdicts: an error's class decides the outcome, here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from harness.errors import (
    AdapterError,
    DeviceError,
    LineError,
    SlotproofError,
    UsageError,
)
from harness.plans.schema_bodies import StepBody
from harness.plans.steps.context import Context
from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome

OUTCOME_OF: dict[type[SlotproofError], Outcome] = {
    UsageError: Outcome.ERROR,
    AdapterError: Outcome.ERROR,
    LineError: Outcome.FAILED,
    DeviceError: Outcome.FAILED,
}
"""Verdict by blame. An adapter fault can never be a failed device."""

LIMIT_HINT = (
    "compare with a reference; repeat on a known-good device before judging the part"
)


def outcome_of(fault: SlotproofError) -> Outcome:
    """The verdict that an error means."""
    for kind, outcome in OUTCOME_OF.items():
        if isinstance(fault, kind):
            return outcome
    return Outcome.ERROR


def from_fault(fault: SlotproofError, context: Context) -> CheckResult:
    """A result from an error, with the last echoes as evidence."""
    return CheckResult(
        outcome=outcome_of(fault),
        kind=fault.kind,
        message=f"{fault.what} ({fault.where})" if fault.where else fault.what,
        hint=fault.hint,
        evidence=context.bus.evidence(),
    )


def judged(
    *measurements: Measurement, evidence: dict[str, object] | None = None
) -> CheckResult:
    """Passed if every value holds, else failed with the first that does not."""
    for value in measurements:
        if not value.holds:
            return CheckResult(
                outcome=Outcome.FAILED,
                kind="limit",
                message=sentence(value),
                hint=LIMIT_HINT,
                measurements=measurements,
                evidence=dict(evidence or {}),
            )
    return CheckResult(
        outcome=Outcome.PASSED, measurements=measurements, evidence=dict(evidence or {})
    )


def shown(value: object) -> str:
    """A value as printed: floats with four decimals at most."""
    return (
        f"{value:.4f}".rstrip("0").rstrip(".")
        if isinstance(value, float)
        else str(value)
    )


def sentence(value: Measurement) -> str:
    """What is wrong with a value, with the numbers."""
    unit = f" {value.unit}" if value.unit else ""
    got = f"{value.name} is {shown(value.value)}{unit}"
    if value.wanted is not None:
        return f"{got}, wanted {shown(value.wanted)}{unit}"
    if (
        isinstance(value.value, int | float)
        and value.low is not None
        and value.value < value.low
    ):
        return f"{got}, below the low limit {shown(value.low)}{unit}"
    return f"{got}, above the high limit {shown(value.high)}{unit}"


def attempt(
    context: Context,
    body: StepBody,
    check: Callable[[], CheckResult],
    device: DeviceRef | None = None,
) -> CheckResult:
    """Run a check, again after a failure as often as the step allows.

    Failed tries stay in the result. After an error of the line or adapter the
    late echoes are waited for and dropped, so that none is paired with a new slot.
    """
    started_s = context.clock.now_s()
    tries: list[Attempt] = []
    while True:
        try:
            result = check()
        except SlotproofError as fault:
            result = from_fault(fault, context)
            _settle(context)
        last = (
            result.outcome in {Outcome.PASSED, Outcome.SKIPPED}
            or len(tries) >= body.retries
        )
        if last:
            return replace(
                result,
                device=device or result.device,
                retries=tuple(tries),
                hint=(body.hint or result.hint) if result.message else "",
                duration_s=round(context.clock.now_s() - started_s, 6),
            )
        tries.append(
            Attempt(outcome=result.outcome, kind=result.kind, message=result.message)
        )


def _settle(context: Context) -> None:
    try:
        context.bus.adapter.settle()
    except SlotproofError:
        return  # the next exchange says so with its own words
