"""Attempts and verdicts. An error's class decides the outcome; only this module maps it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

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
from harness.plans.steps.second_look import by_echo, may_look_again, seen_twice
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
    "compare with a reference; repeat on a known-good device before judging this one"
)


def outcome_of(fault: SlotproofError) -> Outcome:
    """The verdict that an error means."""
    for kind, outcome in OUTCOME_OF.items():
        if isinstance(fault, kind):
            return outcome
    return Outcome.ERROR


def from_fault(fault: SlotproofError, context: Context) -> CheckResult:
    """A result from an error, with the last echoes as evidence."""
    message = f"{fault.what} ({fault.where})" if fault.where else fault.what
    return CheckResult(
        outcome=outcome_of(fault),
        kind=fault.kind,
        message=f"{message}; cause: {fault.cause}" if fault.cause else message,
        hint=fault.hint,
        evidence={**context.bus.evidence(), **_quality(fault), **_known(fault)},
    )


def _known(fault: SlotproofError) -> dict[str, object]:
    """Cause and facts that the fault carries."""
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
    *,
    again: Callable[[], CheckResult] | None = None,
) -> CheckResult:
    """Run a check, again after a failure as often as the step allows.

    Failed attempts stay in the result. After an error of the line or adapter the
    late echoes are waited for and dropped, so that none is paired with a new slot.
    What failed in the only attempt is looked at again, see ``second_look``; by ``again``
    where the check itself would not show what it showed before.
    """
    started_s = context.clock.now_s()
    tries: list[Attempt] = []
    while True:
        look = None
        is_last = len(tries) >= body.retries
        if is_last and may_look_again(tries, body):
            look = again or check
        result = _once(context, check, device, look)
        if is_last or result.outcome in {Outcome.PASSED, Outcome.SKIPPED}:
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


@dataclass(frozen=True, slots=True)
class _Try:
    """What a check found, and the fault by which it ended if it did."""

    result: CheckResult
    fault: SlotproofError | None = None

    @property
    def is_low(self) -> bool:
        """True if the line was seen going low."""
        return isinstance(self.fault, LineShorted)


def _once(
    context: Context,
    check: Callable[[], CheckResult],
    device: DeviceRef | None,
    look: Callable[[], CheckResult] | None,
) -> CheckResult:
    """One attempt, with the second look where it has one, and the adapter proved.

    The look comes at once: what lasts a second is still there. The proof of the
    adapter comes last, and covers both.
    """
    try:
        context.begin_check()
    except SlotproofError as gone:
        return after_fault(gone, context)
    first = shown = _raw(context, check, device)
    second = None
    if look is not None and by_echo(first.result):
        second = _look_again(context, look, device)
        shown = second if second.is_low else first
    result = vouched(shown.result, context, low=shown.is_low)
    if second is not None and result.outcome is Outcome.FAILED:
        result = seen_twice(result, second.result)
    fault = first.fault if second is None or second.fault is None else second.fault
    return result if fault is None else _quiet_after(fault, result, context)


def _look_again(
    context: Context, look: Callable[[], CheckResult], device: DeviceRef | None
) -> _Try:
    """The check once more; what was made up for it is not noted again."""
    remarks = context.take_remarks()
    try:
        context.bus.await_late()
        return _raw(context, look, device)
    except SlotproofError as fault:
        return _Try(from_fault(fault, context), fault)
    finally:
        context.take_remarks()
        for text in remarks:
            context.remark(text)


def _raw(
    context: Context, check: Callable[[], CheckResult], device: DeviceRef | None
) -> _Try:
    try:
        return _Try(_tried(context, check, device))
    except SlotproofError as fault:
        return _Try(from_fault(fault, context), fault)


def _tried(
    context: Context, check: Callable[[], CheckResult], device: DeviceRef | None
) -> CheckResult:
    """One attempt, noting which conversions devices hold.

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
    doubted = from_fault(doubt, context)
    return replace(
        result,
        outcome=doubted.outcome,
        kind=doubted.kind,
        message=f"{doubted.message}; without that: {result.outcome} {result.kind} "
        f"{result.message}".rstrip(),
        hint=doubted.hint,
        evidence={
            **result.evidence,
            **doubted.evidence,
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
    return _quiet_after(fault, result, context)


def _quiet_after(
    fault: SlotproofError, result: CheckResult, context: Context
) -> CheckResult:
    late = settle(context, fault)
    if not late:
        return result
    return replace(
        result,
        message=f"{result.message}; {len(late)} echoes came too late to count",
        hint="lower the adapter's latency timer, take other load off that USB hub",
        evidence={**result.evidence, "late_echoes": late.hex().upper()},
    )
