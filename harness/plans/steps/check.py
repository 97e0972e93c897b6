"""The check step: a function of the family, on each device that has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from harness.errors import SlotproofError
from harness.families.check import Check as FamilyCheck
from harness.families.check import Findings, Options
from harness.families.option_values import Masker, options_for, secrets_in
from harness.families.registry import built_in
from harness.plans.execution.hazard_gate import require_on_device
from harness.plans.loading.functions import checks_named
from harness.plans.records.unit_record import unit_record
from harness.plans.schema.checks import CheckBody
from harness.plans.steps.attempts import attempt, judged, with_cause
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.configuring import make_up_settings
from harness.records import CheckResult, DeviceRef, Measurement, Outcome


def run_check(context: Context, body: CheckBody) -> Iterator[CheckResult]:
    """One function on each device meant that has it."""
    able = [
        d for d in context.targets() if body.function in context.kinds.checks(d.family)
    ]
    if not able:
        yield CheckResult(
            outcome=Outcome.SKIPPED, message=f"no device here has {body.function}"
        )
    for device in able:
        result = attempt(context, body, partial(_check, context, body, device), device)
        if result.outcome in {Outcome.PASSED, Outcome.FAILED}:
            context.settled.add((device.rom_code, context.step, body.function))
        yield result
        # perhaps it converted with limits of its own, as an alarm search does
        context.conversions.spoil_flag(device.rom_code, f"since {context.here}")


def expected_s(body: CheckBody) -> float:
    """Rough time on one device: that of the slowest built-in family with it."""
    return max(
        (check.expected_s for check in checks_named(built_in(), body.function, ())),
        default=0,
    )


def _check(context: Context, body: CheckBody, device: DeviceRef) -> CheckResult:
    check = context.kinds.checks(device.family)[body.function]
    require_on_device(
        check.hazards,
        named=body.hazard,
        allowed=context.allowed,
        what=f"check {check.name}",
    )
    make_up_settings(context, device, body.function)
    record = partial(
        unit_record, context.plan, device.rom_code, context.announce_record
    )
    options = options_for(check, body.with_, plan_path=context.plan.path, record=record)
    if check.is_confidential:
        findings = _confidential(context, check, device, options)
    else:
        findings = check.run(context.session(device), options)
    result = judged(*findings.measurements, evidence=dict(findings.evidence))
    return with_cause(result, findings.cause, findings.hint)


def _confidential(
    context: Context, check: FamilyCheck, device: DeviceRef, options: Options
) -> Findings:
    """Run with a secret on the wire: no echo of it is kept, no text repeats it."""
    masker = Masker(secrets_in(check, options))
    try:
        findings = check.run(context.session(device), options)
    except SlotproofError as fault:
        raise type(fault)(
            masker.text(fault.what), where=fault.where, hint=masker.text(fault.hint)
        ) from None
    except Exception as fault:  # noqa: BLE001 - goes on, without its text
        # its text may repeat the secret, so only its kind goes on
        raise RuntimeError(f"{type(fault).__name__} in check {check.name}") from None
    finally:
        _forget_echoes(context)
    return replace(
        findings,
        measurements=tuple(_masked(masker, value) for value in findings.measurements),
        evidence=masker.plain(findings.evidence),
    )


def _masked(masker: Masker, value: Measurement) -> Measurement:
    return replace(
        value, value=masker.plain(value.value), wanted=masker.plain(value.wanted)
    )


def _forget_echoes(context: Context) -> None:
    """Drop what would go into the evidence of a fault: slots of the last burst."""
    adapter = context.bus.adapter
    try:
        adapter.settle()
    except SlotproofError:
        pass  # the next exchange says so with its own words
    finally:
        context.bus.forget_last()
        adapter.partial = adapter.unsolicited = b""
