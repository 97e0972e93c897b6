"""Tries and verdicts: an error's class decides the outcome, here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from harness.digits import limit_text, plain_text, quantity_text
from harness.errors import (
    AdapterError,
    DeviceAbsent,
    DeviceError,
    LineError,
    LineShorted,
    NobodyAnswers,
    ReadingImplausible,
    SlotproofError,
    UsageError,
)
from harness.families.common.readings import quality_of
from harness.plans.schema.bodies import StepBody
from harness.plans.steps.context import Context
from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome, Side

OUTCOME_OF: dict[type[SlotproofError], Outcome] = {
    UsageError: Outcome.ERROR,
    AdapterError: Outcome.ERROR,
    LineError: Outcome.FAILED,
    DeviceError: Outcome.FAILED,
}
"""Verdict by blame. An adapter fault can never be a failed device."""

_LATE_ECHO_S = 1.0
"""After an adapter error: so long may an echo still be under way."""

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
    told = f"{fault.what} ({fault.where})" if fault.where else fault.what
    return CheckResult(
        outcome=outcome_of(fault),
        kind=fault.kind,
        message=f"{told}; cause: {fault.cause}" if fault.cause else told,
        hint=fault.hint,
        evidence={**context.bus.evidence(), **_quality(fault), **_known(fault)},
    )


def _known(fault: SlotproofError) -> dict[str, object]:
    """Cause and facts that whoever raised the fault knew."""
    known = {"cause": fault.cause, "facts": fault.facts}
    return {key: value for key, value in known.items() if value}


def _quality(fault: SlotproofError) -> dict[str, str]:
    """Of the reading that is not published because of the fault."""
    return {"quality": str(quality_of(fault))} if isinstance(fault, DeviceError) else {}


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


def with_cause(result: CheckResult, cause: str, hint: str) -> CheckResult:
    """A result that did not pass, with the cause and the advice that are known for it."""
    if result.outcome is Outcome.PASSED or not cause:
        return result
    return replace(
        result,
        message=f"{result.message}; cause: {cause}",
        hint=hint or result.hint,
        evidence={**result.evidence, "cause": cause},
    )


def sentence(value: Measurement) -> str:
    """What is wrong with a value, with the numbers."""
    unit = f" {value.unit}" if value.unit else ""
    got = f"{value.name} is {quantity_text(value)}"
    if value.wanted is not None:
        return f"{got}, wanted {plain_text(value.wanted, value.unit)}"
    if value.low is not None and value.low_side is Side.MISSED:
        return f"{got}, below the low limit {limit_text(value.low)}{unit}"
    return f"{got}, above the high limit {limit_text(value.high or 0.0)}{unit}"


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
            context.begin_check()
            result = vouched(_tried(context, check, device), context)
        except SlotproofError as fault:
            result = after_fault(fault, context)
        last = (
            result.outcome in {Outcome.PASSED, Outcome.SKIPPED}
            or len(tries) >= body.retries
        )
        if last:
            return replace(
                result,
                device=device or result.device,
                retries=(*tries, *result.retries),
                hint=(body.hint or result.hint) if result.message else "",
                notes=(*result.notes, *context.take_remarks()),
                duration_s=round(context.clock.now_s() - started_s, 6),
            )
        tries.append(
            Attempt(outcome=result.outcome, kind=result.kind, message=result.message)
        )


def _tried(
    context: Context, check: Callable[[], CheckResult], device: DeviceRef | None
) -> CheckResult:
    """One try, with account kept of the conversions that devices hold.

    A device that was silent or restarted lost its supply perhaps, and with a line that
    is low or silent all may have: what they hold now is not known.
    """
    here, held = context.here, context.conversions
    try:
        if device is None:
            return check()
        session = context.session(device)
        with held.watched(session, step=context.step, title=here):
            return check()
    except (DeviceAbsent, ReadingImplausible) as fault:
        if device is not None:
            held.lose(device.rom_code, f"{fault.kind} in {here}")
        raise
    except (NobodyAnswers, LineShorted) as fault:
        held.lose_all(f"{fault.kind} in {here}")
        raise


def vouched(result: CheckResult, context: Context, *, low: bool = False) -> CheckResult:
    """A result for which the adapter is sound, else an error that says why not.

    It is proved for a failure; for anything else no character may be left over.

    The failure stays in the evidence. With the supply switched off by the plan there is
    no idle line to prove anything on, and the failure stands.

    Args:
        result: of one try.
        context: the run.
        low: the line was seen going low.
    """
    adapter = context.bus.adapter
    if result.outcome is Outcome.ERROR or not adapter.can_be_proved:
        return result
    try:
        if result.outcome is Outcome.FAILED:
            doubt = context.bus.doubt(low=low)
        else:
            doubt = context.bus.came_late()
    except AdapterError as fault:
        doubt = fault
    if doubt is None:
        return result
    told = from_fault(doubt, context)
    return replace(
        result,
        outcome=told.outcome,
        kind=told.kind,
        message=f"{told.message}; without that: {result.outcome} {result.kind} "
        f"{result.message}".rstrip(),
        hint=told.hint,
        evidence={
            **result.evidence,
            **told.evidence,
            "doubted": result.kind or str(result.outcome),
        },
    )


def settle(context: Context, fault: SlotproofError) -> bytes:
    """After a fault: wait for late echoes, so that none is paired with a new slot.

    Returns:
        What came late after a fault of the adapter.
    """
    if isinstance(fault, UsageError | DeviceError) or context.bus.adapter.port is None:
        return b""
    try:
        late = context.bus.adapter.settle()
        if isinstance(fault, AdapterError):
            context.clock.sleep(_LATE_ECHO_S)
            late += context.bus.adapter.settle()
    except SlotproofError:
        return b""  # the next exchange says so with its own words
    return late if isinstance(fault, AdapterError) else b""


def after_fault(fault: SlotproofError, context: Context) -> CheckResult:
    """As ``from_fault``, once the bus is quiet again, with what that brought."""
    low = isinstance(fault, LineShorted)
    result = vouched(from_fault(fault, context), context, low=low)
    late = settle(context, fault)
    if not late:
        return result
    return replace(
        result,
        message=f"{result.message}; {len(late)} echoes came too late to count",
        hint="lower the adapter's latency timer, take other load off that USB hub",
        evidence={**result.evidence, "late_echoes": late.hex().upper()},
    )
