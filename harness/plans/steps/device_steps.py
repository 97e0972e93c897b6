"""Steps about devices: read, configure, convert."""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from harness.errors import AdapterError, DeviceError, UsageError
from harness.families.family import Answer
from harness.families.registry import family_of, quantities
from harness.plans.gate import require_on_device
from harness.plans.schema_bodies import Configure, Convert, Read
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context, Everybody
from harness.plans.steps.repeat_rule import ask_by_rule
from harness.records import CheckResult, DeviceRef, Measurement, Outcome, Scalar


def run_read(context: Context, body: Read) -> Iterator[CheckResult]:
    """One quantity of each device meant, against its limits."""
    devices = context.targets()
    able = [d for d in devices if body.quantity in quantities(d.family)]
    if not able:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message=f"no device here can be asked for {body.quantity}",
        )
    for device in able:
        yield attempt(context, body, partial(_read, context, body, device), device)


def _read(context: Context, body: Read, device: DeviceRef) -> CheckResult:
    quantity = quantities(device.family)[body.quantity]
    if not body.fresh:
        if quantity.reread is None:
            raise UsageError(
                f"{body.quantity} cannot be read without measuring anew",
                hint="leave `fresh: false` out",
            )
        if context.conversion_void:
            raise AdapterError(
                "the adapter went away after the last convert, the devices may have "
                "lost their supply with it",
                hint="run again; a value from before the gap proves nothing",
            )
    session = context.session(device)
    with context.at_speed(body, session.rom):
        asked = [
            ask_by_rule(quantity, session, fresh=body.fresh)
            for _ in range(body.average)
        ]
    answers = [answer for answer, _ in asked]
    value = Measurement(
        name=body.quantity,
        value=_average(answers),
        unit=quantity.unit,
        low=body.low,
        high=body.high,
        wanted=body.wanted,
    )
    evidence: dict[str, object] = dict(answers[-1].evidence)
    if body.average > 1:
        evidence["readings"] = [answer.value for answer in answers]
    held = tuple(attempt for _, suspects in asked for attempt in suspects)
    return replace(judged(value, evidence=evidence), retries=held)


def _average(answers: list[Answer]) -> Scalar:
    values = [answer.value for answer in answers]
    if len(values) == 1 or not all(isinstance(v, int | float) for v in values):
        return values[-1]
    return statistics.fmean(float(value) for value in values)


def run_configure(context: Context, body: Configure) -> Iterator[CheckResult]:
    """Write settings to each device meant, and read them back."""
    for device in context.targets():
        if not set(body.settings) <= set(family_of(device.family).settings):
            yield CheckResult(
                outcome=Outcome.SKIPPED,
                device=device,
                kind="no-setting",
                message=f"{family_of(device.family).name} does not have "
                f"{', '.join(sorted(set(body.settings) - set(family_of(device.family).settings)))}",
            )
            continue
        yield attempt(context, body, partial(_configure, context, body, device), device)


def _configure(context: Context, body: Configure, device: DeviceRef) -> CheckResult:
    configure = family_of(device.family).configure
    assert configure is not None  # a family with settings has it
    settings = family_of(device.family).settings
    require_on_device(
        frozenset(h for name in body.settings for h in settings[name].hazards),
        named=body.hazard,
        allowed=context.allowed,
        what=f"configure {', '.join(body.settings)}",
    )
    answer = configure(context.session(device), body.settings, body.store)
    rows = family_of(device.family).settings
    return judged(
        *(
            Measurement(
                name=name, value=value, unit=rows[name].unit, wanted=value
            )  # as read back: configure raises if it is not
            for name, value in body.settings.items()
        ),
        evidence={"written": answer.value, **answer.evidence},
    )


def run_convert(context: Context, body: Convert) -> Iterator[CheckResult]:
    """One conversion of all thermometers at once."""
    devices = [
        device
        for device in context.known_devices()
        if family_of(device.family).convert_all
        and (body.family is None or device.family in body.family)
    ]
    if not devices:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message="no device here takes part in a conversion",
        )
        return
    yield attempt(context, body, partial(_convert, context, body, devices))


def _convert(context: Context, body: Convert, devices: list[DeviceRef]) -> CheckResult:
    parasite = body.power == "parasite" or (
        body.power == "auto" and anybody_on_parasite(context, devices)
    )
    # families that share a conversion share the function, and are asked once
    starts = dict.fromkeys(family_of(device.family).convert_all for device in devices)
    took_ms = 0.0
    for start in starts:
        assert start is not None
        took_ms += float(start(Everybody(context.bus), parasite).value)
    context.conversion_void = False
    return judged(
        Measurement(name="conversion_time", value=round(took_ms, 3), unit="ms"),
        evidence={"parasite": parasite, "devices": len(devices)},
    )


def anybody_on_parasite(context: Context, devices: list[DeviceRef]) -> bool:
    """True if a device says that it is fed from the data line.

    Each is asked singly and once a run: a broadcast answer is the AND of all, and
    does not say who it is.
    """
    for device in devices:
        quantity = quantities(device.family).get("power_supply")
        session = context.session(device)
        if quantity is None:
            continue
        if "parasite" not in session.memory:
            try:
                quantity.read(session)
            except DeviceError:
                continue  # its own step will say so
        if session.memory.get("parasite"):
            return True
    return False
