"""Reading against a reference device: both from one conversion, the difference judged.

    difference = reading of the device - (reading of the reference + its correction)

Its uncertainty is a budget after JCGM 100: the certificate, drift, the steps of both
readings, the spread of the bath. A difference counts as proved inside or outside its
limits only beyond a guard band made of it (ISO 14253-1); between the two the bench
cannot tell, which is an error and no verdict on the device. Whatever is wrong with the
reference is an error of the bench.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from harness.digits import number_text, quantity_text
from harness.errors import (
    DeviceError,
    LineError,
    ReadingSuspect,
    ReferenceUnfit,
    UsageError,
)
from harness.families.common.readings import REPEATED
from harness.families.family import Answer, Quantity
from harness.plans.schema.bodies import Read
from harness.plans.schema.references import (
    AgainstReference,
    Calibration,
    difference_unit,
)
from harness.plans.steps.attempts import LIMIT_HINT, sentence
from harness.plans.steps.comparing.settling import settled
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.compared import ReferenceReading
from harness.plans.steps.dependencies.configuring import make_up_settings
from harness.plans.steps.dependencies.converting import (
    can_convert,
    convert_together,
    remark_made,
    why_none,
)
from harness.quality.corrections import between_points, fit_line, require_within
from harness.quality.guard import GuardedLimits, Proof, guarded_limits
from harness.quality.uncertainty import (
    Contribution,
    expanded_uncertainty,
    from_expanded,
    from_half_width,
)
from harness.records import Attempt, CheckResult, DeviceRef, Measurement, Outcome

_REPEATS = 3
"""Common conversions after the first, for readings that are held back as suspect."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """Readings of a device and of the reference.

    Attributes:
        device: answer of the device.
        reference: answer of the reference.
        how: in words, what makes them comparable.
        held: readings that were held back before.
    """

    device: Answer
    reference: Answer
    how: str
    held: tuple[Attempt, ...] = ()


def compare(context: Context, body: Read, device: DeviceRef) -> CheckResult:
    """One device against the reference of the step.

    Raises:
        ReferenceUnfit: the reference cannot be compared with.
        UsageError: no two readings that belong together can be had.
    """
    assert body.against is not None
    reference = context.reference_in(body.against.socket)
    calibration = context.fixture.references[reference.rom_code].calibration
    assert calibration is not None
    require_in_date(calibration, context, reference)
    make_up_settings(context, device, body.quantity)
    pair = _pair(context, body, device, reference)
    with _of_reference(reference):
        corrected = _corrected(calibration, _number(pair.reference))
    budget = [*corrected.budget, *_of_device(context, body, device)]
    unit = context.kinds.unit_of(device.family, body.quantity)
    result = _judged(
        body, device, pair, corrected, unit=unit, budget=budget, calibration=calibration
    )
    return replace(result, retries=pair.held)


def require_in_date(
    calibration: Calibration, context: Context, reference: DeviceRef
) -> None:
    """Insist that the certificate is still in force.

    Raises:
        ReferenceUnfit: its due date has passed.
    """
    today = context.clock.calendar().date()
    if today > calibration.last_day:
        raise ReferenceUnfit(
            f"the calibration of the reference was due on {calibration.due} "
            f"(certificate {calibration.certificate}); today is {today}",
            where=reference.label,
            hint="have it calibrated, and write the new certificate into the fixture",
        )


# -- two readings that belong together -----------------------------------------------


def _pair(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> _Pair:
    of_both = [
        context.kinds.quantities(d.family).get(body.quantity)
        for d in (device, reference)
    ]
    quantity, of_reference = of_both
    assert quantity is not None
    assert of_reference is not None
    together = (
        quantity.reread is not None
        and of_reference.reread is not None
        and can_convert(context, device)
        and can_convert(context, reference)
    )
    if together:
        return _from_one_conversion(context, body, device, reference)
    return _shortly_apart(context, body, device, reference)


def _from_one_conversion(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> _Pair:
    held: list[Attempt] = []
    while True:
        conversion_s = _common_conversion(context, body, device, reference)
        taken = context.compared.readings[reference.rom_code]
        context.compared.take(context.step, device.rom_code, conversion_s)
        try:
            answer = _reread(context, body.quantity, device)
        except ReadingSuspect as fault:
            if len(held) == _REPEATS:
                raise
            held.append(
                Attempt(outcome=Outcome.FAILED, kind=fault.kind, message=fault.what)
            )
            continue
        return _Pair(
            device=answer,
            reference=taken.answer,
            how="both from one conversion",
            held=tuple(held),
        )


def _common_conversion(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> float:
    """When the conversion ended that both hold; made where there is none to use."""
    of_device = context.conversions.of(device.rom_code)
    of_reference = context.conversions.of(reference.rom_code)
    known = context.compared.readings.get(reference.rom_code)
    if of_device and of_reference and of_device.ended_s == of_reference.ended_s:
        ended_s = of_device.ended_s
        mine = of_device.step == context.step or not body.fresh
        if mine and not context.compared.is_used(
            context.step, device.rom_code, ended_s
        ):
            if known is None or known.conversion_s != ended_s:
                _read_reference(context, body, reference, ended_s)
            return ended_s
    if not body.fresh:
        remark_made(context, why_none(context, device))
    if body.settle is not None:
        settled(
            body.settle,
            lambda: _convert_and_read(context, body, reference),
            context.clock,
            what=f"{body.quantity} of the reference",
            where=reference.label,
        )
    else:
        _convert_and_read(context, body, reference)
    return context.compared.readings[reference.rom_code].conversion_s


def _convert_and_read(context: Context, body: Read, reference: DeviceRef) -> float:
    """One conversion of all; the reading of the reference."""
    for _ in range(_REPEATS + 1):
        devices = [d for d in context.known_devices() if can_convert(context, d)]
        convert_together(context, [reference, *devices])
        held = context.conversions.of(reference.rom_code)
        assert held is not None
        try:
            return _read_reference(context, body, reference, held.ended_s)
        except ReadingSuspect:
            continue
    raise ReferenceUnfit(
        f"no two conversions of the reference agree in {_REPEATS + 1}",
        where=reference.label,
    )


def _read_reference(
    context: Context, body: Read, reference: DeviceRef, ended_s: float
) -> float:
    with _of_reference(reference):
        answer = _reread(context, body.quantity, reference)
    context.compared.readings[reference.rom_code] = ReferenceReading(
        answer=answer, conversion_s=ended_s
    )
    return _number(answer)


def _reread(context: Context, name: str, device: DeviceRef) -> Answer:
    quantity = context.kinds.quantities(device.family)[name]
    session = context.session(device)
    session.memory[REPEATED] = True
    assert quantity.reread is not None
    return quantity.reread(session)


def _shortly_apart(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> _Pair:
    """Two readings one after the other, where no conversion serves both."""
    assert body.against is not None
    if body.against.within_s is None:
        raise UsageError(
            f"{body.quantity} of {device.label} and of the reference "
            f"{reference.label} cannot come from one conversion",
            hint="write within_s under against: the longest time between the two",
        )
    with _of_reference(reference):
        answer = _asked(
            context,
            context.kinds.quantities(reference.family)[body.quantity],
            reference,
        )
    began_s = context.clock.now_s()
    of_device = _asked(
        context, context.kinds.quantities(device.family)[body.quantity], device
    )
    apart_s = context.clock.now_s() - began_s
    if apart_s > body.against.within_s:
        raise ReferenceUnfit(
            f"the readings lie {apart_s:.3g} s apart, and within_s is "
            f"{body.against.within_s:g}",
            where=reference.label,
        )
    return _Pair(device=of_device, reference=answer, how=f"{apart_s:.3g} s apart")


def _asked(context: Context, quantity: Quantity, device: DeviceRef) -> Answer:
    return quantity.read(context.session(device))


@contextmanager
def _of_reference(reference: DeviceRef) -> Iterator[None]:
    """A fault of the reference is a fault of the bench; a suspect reading goes on."""
    try:
        yield
    except ReadingSuspect:
        raise
    except (DeviceError, LineError, UsageError) as fault:
        raise ReferenceUnfit(
            f"reference: {fault.what}", where=reference.label, hint=fault.hint
        ) from fault


def _number(answer: Answer) -> float:
    if isinstance(answer.value, str | bool):
        raise UsageError(f"{answer.value!r} is no number to take a difference of")
    return float(answer.value)


# -- correction, budget, verdict -----------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Corrected:
    reading: float
    correction: float
    budget: tuple[Contribution, ...]

    @property
    def value(self) -> float:
        return self.reading + self.correction


def _corrected(calibration: Calibration, reading: float) -> _Corrected:
    """The reference's reading with its correction, and what is not known of it.

    Raises:
        UsageError: the reading lies outside the table.
    """
    rows = calibration.corrections
    require_within(rows, reading)
    if calibration.curve == "line":
        found = fit_line(rows, origin=rows[0][0]).at(reading)
    else:
        found = between_points(rows, reading)
    step = calibration.resolution / 2
    budget = (
        from_expanded(
            "certificate", calibration.uncertainty, calibration.coverage_factor
        ),
        Contribution(name="fitted line", standard=found.standard),
        from_half_width("drift", calibration.drift),
        # the correction changes with the reading, and adds to the sensitivity
        from_half_width("step of the reference", step * abs(1 + found.slope)),
        from_half_width("uniformity", calibration.uniformity),
    )
    return _Corrected(
        reading=reading,
        correction=found.value,
        budget=tuple(each for each in budget if each.standard),
    )


def _of_device(context: Context, body: Read, device: DeviceRef) -> list[Contribution]:
    """The step of the device's own readings, where its kind can be asked for it.

    Nine bits are steps of 0.5 K, each bit more halves them (data sheet family 28h, p. 3).
    """
    known = context.kinds.quantities(device.family)
    if body.quantity != "temperature" or "resolution" not in known:
        return []
    bits = _number(known["resolution"].read(context.session(device)))
    return [from_half_width("step of the device", 0.5 / 2 ** (bits - 9) / 2)]


def _judged(
    body: Read,
    device: DeviceRef,
    pair: _Pair,
    corrected: _Corrected,
    *,
    unit: str,
    budget: list[Contribution],
    calibration: Calibration,
) -> CheckResult:
    against = body.against
    assert against is not None
    value = _number(pair.device)
    expanded = expanded_uncertainty(budget)
    limits = guarded_limits(
        low=body.low, high=body.high, expanded=expanded, multiple=against.guard
    )
    difference = Measurement(
        name=f"{body.quantity}_difference",
        value=value - corrected.value,
        unit=difference_unit(unit),
        low=body.low,
        high=body.high,
        uncertainty=expanded,
        criterion=_criterion(limits, against, difference_unit(unit)),
    )
    result = CheckResult(
        outcome=Outcome.PASSED,
        measurements=(
            difference,
            Measurement(name=body.quantity, value=value, unit=unit),
            Measurement(
                name=f"reference_{body.quantity}",
                value=corrected.value,
                unit=unit,
                uncertainty=expanded_uncertainty(corrected.budget),
            ),
        ),
        evidence={
            **pair.device.evidence,
            "quality": "valid",
            "conversion": pair.how,
            "reference": {
                "socket": against.socket,
                "reading": corrected.reading,
                "correction": round(corrected.correction, 6),
                "certificate": calibration.certificate,
                "due": calibration.due,
                "standard_uncertainties": {
                    each.name: round(each.standard, 6) for each in budget
                },
                "expanded_uncertainty": round(expanded, 6),
                "guard": round(limits.guard, 6),
                "accept_low": limits.accept_low,
                "accept_high": limits.accept_high,
            },
        },
    )
    return _by_proof(result, difference, limits)


def _by_proof(
    result: CheckResult, difference: Measurement, limits: GuardedLimits
) -> CheckResult:
    if limits.low is None and limits.high is None:
        return result
    assert isinstance(difference.value, int | float)
    proof = limits.judge(difference.value)
    if proof is Proof.GOOD:
        return result
    if proof is Proof.BAD:
        return replace(
            result,
            outcome=Outcome.FAILED,
            kind="limit",
            message=f"{sentence(difference)}; {difference.criterion}",
            hint=LIMIT_HINT,
        )
    return replace(
        result,
        outcome=Outcome.ERROR,
        kind="too-near",
        message=f"{difference.name} is {quantity_text(difference)}, too near a limit to "
        f"tell: {difference.criterion}",
        hint="measure with a smaller uncertainty, or agree on wider limits; guard: 0 "
        "under against judges by the limits alone",
    )


def _criterion(limits: GuardedLimits, against: AgainstReference, unit: str) -> str:
    """The guard band in words, with the acceptance limits that it leaves."""
    if limits.low is None and limits.high is None:
        return f"against the reference in {against.socket}"
    ends = [
        f"{word} {number_text(end, limits.guard / 10)}"
        for word, end in (("from", limits.accept_low), ("to", limits.accept_high))
        if end is not None
    ]
    return (
        f"accepted {' '.join(ends)} {unit}: guard {number_text(limits.guard)} {unit} = "
        f"{against.guard:g} x U"
    )
