"""Reading against a reference device: both from one conversion, the difference judged.

    difference = reading of the device - (reading of the reference + its correction)

Its uncertainty is a budget after JCGM 100: the certificate, drift, the steps of both
readings, the spread of the bath. A difference counts as proved inside or outside its
limits only beyond a guard band made of it (ISO 14253-1); between the two the bench
cannot tell, which is an error and no verdict on the device. Whatever is wrong with the
reference is an error of the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

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
    Calibration,
)
from harness.plans.steps.comparing.judging import (
    ReadPair,
    corrected_reading,
    judged_pair,
    number_of,
    step_of_device,
)
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
from harness.records import Attempt, CheckResult, DeviceRef, Outcome

_REPEATS = 3
"""Common conversions after the first, for readings that are held back as suspect."""


def compare(context: Context, body: Read, device: DeviceRef) -> CheckResult:
    """One device against the reference of the step.

    Raises:
        ReferenceUnfit: the reference cannot be compared with.
        UsageError: no two readings that belong together can be had.
    """
    assert body.against is not None
    if body.against.instrument is not None:
        return _with_instrument(context, body, device, body.against.instrument)
    assert body.against.socket is not None
    reference = context.reference_in(body.against.socket)
    calibration = context.fixture.references[reference.rom_code].calibration
    assert calibration is not None
    require_in_date(calibration, context, reference.label)
    make_up_settings(context, device, body.quantity)
    pair = _pair(context, body, device, reference)
    with _of_reference(reference.label):
        corrected = corrected_reading(calibration, number_of(pair.reference))
    budget = [*corrected.budget, *step_of_device(context, body, device)]
    unit = context.kinds.unit_of(device.family, body.quantity)
    result = judged_pair(
        body, device, pair, corrected, unit=unit, budget=budget, calibration=calibration
    )
    return replace(result, retries=pair.held)


def require_in_date(calibration: Calibration, context: Context, label: str) -> None:
    """Insist that the certificate is still in force.

    Raises:
        ReferenceUnfit: its due date has passed.
    """
    today = context.clock.calendar().date()
    if today > calibration.last_day:
        raise ReferenceUnfit(
            f"the calibration of the reference was due on {calibration.due} "
            f"(certificate {calibration.certificate}); today is {today}",
            where=label,
            hint="have it calibrated, and write the new certificate into the fixture",
        )


# -- two readings that belong together -----------------------------------------------


def _pair(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> ReadPair:
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
) -> ReadPair:
    return _with_repeats(
        context,
        body,
        device,
        reference.rom_code,
        lambda: _common_conversion(context, body, device, reference),
    )


def _with_repeats(
    context: Context,
    body: Read,
    device: DeviceRef,
    key: str,
    convert: Callable[[], float],
) -> ReadPair:
    """Readings of one conversion; a suspect one is repeated with the next for both."""
    held: list[Attempt] = []
    while True:
        conversion_s = convert()
        taken = context.compared.readings[key]
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
        return ReadPair(
            device=answer,
            reference=taken.answer,
            how="both from one conversion",
            held=tuple(held),
        )


def _common_conversion(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> float:
    """When the conversion ended that both hold; made where there is none to use."""
    ended_s = _unused_end_s(context, body, device, reference)
    if ended_s is not None:
        known = context.compared.readings.get(reference.rom_code)
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


def _unused_end_s(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> float | None:
    """When a conversion ended that both hold and no comparison of this step used."""
    of_device = context.conversions.of(device.rom_code)
    of_reference = context.conversions.of(reference.rom_code)
    if not of_device or not of_reference or of_device.ended_s != of_reference.ended_s:
        return None
    ended_s = of_device.ended_s
    mine = of_device.step == context.step or not body.fresh
    used = context.compared.is_used(context.step, device.rom_code, ended_s)
    return ended_s if mine and not used else None


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
    with _of_reference(reference.label):
        answer = _reread(context, body.quantity, reference)
    context.compared.readings[reference.rom_code] = ReferenceReading(
        answer=answer, conversion_s=ended_s
    )
    return number_of(answer)


def _reread(context: Context, name: str, device: DeviceRef) -> Answer:
    quantity = context.kinds.quantities(device.family)[name]
    session = context.session(device)
    session.memory[REPEATED] = True
    assert quantity.reread is not None
    return quantity.reread(session)


def _shortly_apart(
    context: Context, body: Read, device: DeviceRef, reference: DeviceRef
) -> ReadPair:
    """Two readings one after the other, where no conversion serves both."""
    assert body.against is not None
    if body.against.within_s is None:
        raise UsageError(
            f"{body.quantity} of {device.label} and of the reference "
            f"{reference.label} cannot come from one conversion",
            hint="write within_s under against: the longest time between the two",
        )
    with _of_reference(reference.label):
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
    return ReadPair(device=of_device, reference=answer, how=f"{apart_s:.3g} s apart")


def _asked(context: Context, quantity: Quantity, device: DeviceRef) -> Answer:
    return quantity.read(context.session(device))


@contextmanager
def _of_reference(label: str) -> Iterator[None]:
    """A fault of the reference is a fault of the bench; a suspect reading goes on."""
    try:
        yield
    except ReadingSuspect:
        raise
    except (DeviceError, LineError, UsageError) as fault:
        raise ReferenceUnfit(
            f"reference: {fault.what}", where=label, hint=fault.hint
        ) from fault


# -- an instrument as the reference -----------------------------------------------------


def _with_instrument(
    context: Context, body: Read, device: DeviceRef, name: str
) -> CheckResult:
    """One device against an instrument that is read as the common conversion ends."""
    rows = {each.name: each for each in context.fixture.instruments}
    calibration = rows[name].calibration
    assert calibration is not None
    require_in_date(calibration, context, name)
    make_up_settings(context, device, body.quantity)
    pair = _with_repeats(
        context,
        body,
        device,
        name,
        lambda: _conversion_with_instrument(context, body, device, name),
    )
    unit = context.kinds.unit_of(device.family, body.quantity)
    with _of_reference(name):
        corrected = corrected_reading(calibration, number_of(pair.reference))
    budget = [*corrected.budget, *step_of_device(context, body, device)]
    result = judged_pair(
        body, device, pair, corrected, unit=unit, budget=budget, calibration=calibration
    )
    return replace(result, retries=pair.held)


def _conversion_with_instrument(
    context: Context, body: Read, device: DeviceRef, name: str
) -> float:
    """When the conversion ended that device and instrument were read with."""
    of_device = context.conversions.of(device.rom_code)
    known = context.compared.readings.get(name)
    if of_device and known and of_device.ended_s == known.conversion_s:
        ended_s = of_device.ended_s
        is_used = context.compared.is_used(context.step, device.rom_code, ended_s)
        if of_device.step == context.step and not is_used:
            return ended_s

    def convert_and_read() -> float:
        devices = [d for d in context.known_devices() if can_convert(context, d)]
        convert_together(context, devices)
        held = context.conversions.of(device.rom_code)
        assert held is not None
        value = context.instruments.get(name).read(reading_of(context, body, name))
        apart_s = context.clock.now_s() - held.ended_s
        limit_s = body.against.within_s if body.against else None
        if limit_s is not None and apart_s > limit_s:
            raise ReferenceUnfit(
                f"it was read {apart_s:.3g} s after the conversion, and within_s is "
                f"{limit_s:g}",
                where=name,
            )
        context.compared.readings[name] = ReferenceReading(
            answer=Answer(value=value), conversion_s=held.ended_s
        )
        return value

    if body.settle is None:
        convert_and_read()
    else:
        what = f"{body.quantity} of the reference"
        settled(body.settle, convert_and_read, context.clock, what=what, where=name)
    return context.compared.readings[name].conversion_s


def reading_of(context: Context, body: Read, name: str) -> str:
    """The reading of an instrument that is this quantity, such as temperature_degc."""
    readings = context.instruments.get(name).row.words.readings
    return next(each for each in readings if each.startswith(f"{body.quantity}_"))
