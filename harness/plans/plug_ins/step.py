"""The step of a plug-in: on all devices meant at once, or on the one of a for_each."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from harness.errors import UsageError
from harness.families.check import Check
from harness.families.option_values import options_for
from harness.plans.execution.hazard_gate import require_on_device
from harness.plans.schema.checks import PlugInStep
from harness.plans.steps.attempts import attempt, judged, with_cause
from harness.plans.steps.context import Context
from harness.records import CheckResult


def run_plug_in(context: Context, body: PlugInStep) -> Iterator[CheckResult]:
    """One result; what was known of the devices before counts no more after it."""
    yield attempt(context, body, partial(_run, context, body), context.current)
    for device in context.targets():
        context.forget_device(device.rom_code, f"since {context.here}")


def expected_s(body: PlugInStep, context: Context) -> float:
    """What the plug-in says."""
    row = context.kinds.steps.get(body.step)
    return row.expected_s if row else 0.0


def _run(context: Context, body: PlugInStep) -> CheckResult:
    row = context.kinds.steps.get(body.step)
    if row is None:
        raise UsageError(
            f"no plug-in of this run has a step {body.step!r}",
            hint="name the plug-in under plug_ins in the plan or the fixture",
        )
    require_on_device(
        row.hazards,
        named=body.hazard,
        allowed=context.allowed,
        what=f"step {row.name}",
    )
    declared = Check(
        name=row.name,
        about=row.about,
        run=lambda _session, _options: row.run((), _options),
        options=row.options,
    )
    options = options_for(declared, body.with_, plan_path=context.plan.path)
    sessions = tuple(context.session(device) for device in context.targets())
    findings = row.run(sessions, options)
    result = judged(*findings.measurements, evidence=dict(findings.evidence))
    return with_cause(result, findings.cause, findings.hint)
