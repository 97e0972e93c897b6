"""Steps about devices: read, configure, convert."""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from harness.errors import SlotproofError, UsageError
from harness.families.family import Answer, Quantity
from harness.families.thermometers import own_constants
from harness.plans.schema.bodies import Convert, Read
from harness.plans.steps.attempts import after_fault, attempt, judged, vouched
from harness.plans.steps.comparing.against import compare
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.configuring import make_up_settings
from harness.plans.steps.dependencies.conversions import Held
from harness.plans.steps.dependencies.converting import (
    convert_alone,
    convert_together,
    remark_made,
    require_supply_to_convert,
    who_minds,
    why_none,
)
from harness.plans.steps.read_with_repeats import read_with_repeats
from harness.records import (
    Attempt,
    Bound,
    CheckResult,
    DeviceRef,
    Measurement,
    Outcome,
    Scalar,
)


def run_read(context: Context, body: Read) -> Iterator[CheckResult]:
    """One quantity of each device meant, against its limits."""
    devices = context.targets()
    able = [d for d in devices if body.quantity in context.kinds.quantities(d.family)]
    if not able:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message=f"no device here can be asked for {body.quantity}",
        )
    for device in able:
        yield attempt(context, body, partial(_read, context, body, device), device)
        if context.kinds.quantities(device.family)[body.quantity].reread is None:
            # perhaps it converted with limits of its own, as a marked reading does
            context.conversions.spoil_flag(device.rom_code, f"since {context.here}")


def _read(context: Context, body: Read, device: DeviceRef) -> CheckResult:
    if body.against is not None:
        return compare(context, body, device)
    quantity = context.kinds.quantities(device.family)[body.quantity]
    if not body.fresh and quantity.reread is None:
        raise UsageError(
            f"{body.quantity} cannot be read without measuring anew",
            hint="leave `fresh: false` out",
        )
    make_up_settings(context, device, body.quantity)
    session = context.session(device)
    with context.at_speed(body, session.rom):
        asked = [
            _ask(context, body, device, quantity, first=number == 0)
            for number in range(body.average)
        ]
    answers = [answer for answer, _ in asked]
    value = Measurement(
        name=body.quantity,
        value=_average(answers),
        unit=quantity.unit,
        low=body.low,
        high=body.high,
        wanted=body.wanted,
        uncertainty=_largest_uncertainty(answers),
    )
    evidence: dict[str, object] = dict(answers[-1].evidence)
    evidence |= own_constants.as_evidence(session)
    if body.average > 1:
        evidence["readings"] = [answer.value for answer in answers]
    held = tuple(attempt for _, suspects in asked for attempt in suspects)
    return replace(judged(value, evidence=evidence), retries=held)


def _ask(
    context: Context, body: Read, device: DeviceRef, quantity: Quantity, *, first: bool
) -> tuple[Answer, tuple[Attempt, ...]]:
    """One answer, with the conversion that it is of where it depends on one."""
    held = None if body.fresh else _held(context, device, first=first)
    session = context.session(device)
    answer, suspects = read_with_repeats(quantity, session, fresh=held is None)
    for note in answer.notes:
        context.remark(note)
    if quantity.reread is not None:
        shared = held if held is not None and not suspects else None
        now_s = context.clock.now_s()
        answer.evidence["conversion"] = (
            "of this reading" if shared is None else shared.described(now_s)
        )
    return answer, suspects


def _held(context: Context, device: DeviceRef, *, first: bool) -> Held | None:
    """The conversion that a reading may use; None, and remarked, where one must be made."""
    held = context.conversions.of(device.rom_code)
    if held is None:
        why = why_none(context, device)
        require_supply_to_convert(context, device, why)
        remark_made(context, why)
    elif not first:  # the same result again would be no second reading
        context.remark("a mean needs a conversion for each reading: all but the first "
                       "were made for this step")  # fmt: skip
        return None
    return held


def _largest_uncertainty(answers: list[Answer]) -> float | None:
    stated = (a.uncertainty for a in answers if a.uncertainty is not None)
    return max(stated, default=None)


def _average(answers: list[Answer]) -> Scalar:
    values = [answer.value for answer in answers]
    if len(values) == 1 or not all(isinstance(v, int | float) for v in values):
        return values[-1]
    return statistics.fmean(float(value) for value in values)


def run_convert(context: Context, body: Convert) -> Iterator[CheckResult]:
    """One conversion of all thermometers, or of all of a kind that declares it, at once."""
    devices = [
        device
        for device in (*context.known_devices(), *context.references_found())
        if context.kinds.family_of(device.family).convert_all
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
    minds = {d.rom_code: who_minds(context, d) for d in devices}
    together = [d for d in devices if not minds[d.rom_code]]
    alone = [d for d in devices if minds[d.rom_code]]
    took_ms, parasite = 0.0, False
    if together:
        took_ms, parasite = convert_together(context, together, power=body.power)
    for device in alone:  # behind the one of all, which they hear too
        took_ms = max(took_ms, convert_alone(context, device))
    for why in dict.fromkeys(minds[device.rom_code] for device in alone):
        context.remark(f"one device at a time: {why}")
    return judged(
        # waited for: all are done by then, and the host may have looked late
        Measurement(
            name="conversion_time",
            value=round(took_ms, 3),
            unit="ms",
            bound=Bound.AT_MOST,
        ),
        evidence={"parasite": parasite, "devices": len(devices)}
        | ({"alone": [device.label for device in alone]} if alone else {}),
    )


def no_device(
    context: Context, sockets: tuple[str, ...] | None, fault: SlotproofError | None
) -> CheckResult:
    """The result of a step inside a ``for_each`` that no device is meant by.

    Args:
        context: of the run.
        sockets: those that it names, or None.
        fault: why the devices could not be found, or None.
    """
    untied = context.seating.untied
    doubts = [untied[name] for name in sockets or () if name in untied]
    result = CheckResult(
        outcome=Outcome.ERROR if doubts else Outcome.FAILED,
        kind="no-device",
        message="; ".join(
            ["no device on the bus is meant by this for_each", *doubts[:1]]
        ),
        hint="see the enumerate step: are the devices in their sockets?",
    )
    return vouched(result, context) if fault is None else after_fault(fault, context)
