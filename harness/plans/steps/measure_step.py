"""The measure step: time limits of line and devices, each with margin and verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from harness.digits import (
    limit_text,
    limits_text,
    number_text,
    quantity_text,
    uncertain_text,
)
from harness.errors import CannotOverdrive, NobodyAnswers
from harness.plans.schema_measure import Measure
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.timing.survey import (
    DEVICE_NAMES,
    LINE_NAMES,
    OVERDRIVE_NAMES,
    Name,
    Timing,
)
from harness.wire.limits import Limit
from harness.wire.romcode import RomCode

TIMING_HINTS = {
    Name.CLOCK_ERROR: "set adapter.clock_tolerance_ppm, or use an adapter with a crystal",
    Name.RISE_TIME: "lower pull-up, shorter cable, or fewer devices",
    Name.PRESENCE_WAIT: "a device answers out of its time: look for a slow edge, low supply, or a bad part",
    Name.PRESENCE_END: "a device answers out of its time: look for a slow edge, low supply, or a bad part",
    Name.RESET_HIGH: "a device needs longer after a reset than it may",
    Name.LONGEST_WRITE_1: "the rise eats up the write-1 slot: lower pull-up or faster slots",
    Name.SAMPLE_INSTANT: "the device's own time base is out of its limits: repeat on a short line, then replace the part",
    Name.READ_0_HOLD: "the device's own time base is out of its limits: repeat on a short line, then replace the part",
    Name.SHORTEST_LOW: "the device misses short lows: look at its supply and the low level",
    Name.RECOVERY: "the device needs more recovery than it may: a lower pull-up, or replace the part",
    Name.SLOT_PERIOD: "the device needs more recovery than the slots give: slower slots or a lower pull-up",
}

MARGIN_HINT = (
    "the part meets its data sheet and may miss it when cold, hot or at low supply: "
    "measure it again at another place; if it stays, keep it out of this lot"
)


def run_measure(context: Context, body: Measure) -> Iterator[CheckResult]:
    """The line's quantities in one result, each device's in one more."""
    wanted = _names(body)
    line = [name for name in LINE_NAMES if name in wanted]
    device_names = [name for name in DEVICE_NAMES if name in wanted]
    if not context.known_devices():
        yield CheckResult(
            outcome=Outcome.SKIPPED, message="no device on the bus to measure with"
        )
        return
    if body.speed == "overdrive":
        yield from _in_overdrive(context, body, wanted)
        return
    if line:
        yield attempt(context, body, partial(_line, context, body, line))
    if device_names:
        for device in context.targets():
            yield attempt(
                context,
                body,
                partial(_device, context, body, device_names, device),
                device,
            )


def _in_overdrive(
    context: Context, body: Measure, wanted: set[str]
) -> Iterator[CheckResult]:
    """What can be reached in overdrive; the rest in one result that says why not."""
    names = [name for name in OVERDRIVE_NAMES if name in wanted]
    silent: list[str] = []
    for device in context.targets():
        try:
            with context.at_speed(body, RomCode.parse(device.rom_code)):
                pass
        except CannotOverdrive as reason:
            yield CheckResult(
                outcome=Outcome.SKIPPED,
                kind=reason.kind,
                message=f"no overdrive: {reason.what}",
                hint=reason.hint,
            )
            return
        except NobodyAnswers:
            silent.append(device.label)
            continue
        measure = partial(_device_in_overdrive, context, body, names, device)
        yield attempt(context, body, measure, device)
    if silent:
        yield CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-overdrive",
            message=f"{len(silent)} device(s) do not answer in overdrive: "
            f"{', '.join(silent)}",
        )


def _device_in_overdrive(
    context: Context, body: Measure, names: Sequence[Name], device: DeviceRef
) -> CheckResult:
    survey, rom = context.overdrive_survey, RomCode.parse(device.rom_code)
    return _judge(body, [survey.of_device(name, rom) for name in names])


def _names(body: Measure) -> set[str]:
    of_devices = OVERDRIVE_NAMES if body.speed == "overdrive" else DEVICE_NAMES
    groups: dict[str, Iterable[str]] = {
        "all": (*LINE_NAMES, *of_devices),
        "line": LINE_NAMES,
        "devices": of_devices,
    }
    return set(groups[body.what] if isinstance(body.what, str) else body.what)


def _line(context: Context, body: Measure, names: list[Name]) -> CheckResult:
    return _judge(body, [context.survey.of_line(name) for name in names])


def _device(
    context: Context, body: Measure, names: Sequence[Name], device: DeviceRef
) -> CheckResult:
    rom = RomCode.parse(device.rom_code)
    return _judge(body, [context.survey.of_device(name, rom) for name in names])


def _limited(body: Measure, timing: Timing) -> Timing:
    """The plan's own limits in place of the published ones."""
    if body.low is None and body.high is None:
        return timing
    limit = Limit(
        name=timing.label, low_us=body.low, high_us=body.high, source="the plan"
    )
    return replace(timing, limit=limit)


def _with_margin(timing: Timing, margin_us: float | None) -> Timing:
    """The limits with the plan's margin taken off."""
    if margin_us is None:
        return timing
    limit = timing.limit
    limit = replace(
        limit,
        low_us=None if limit.low_us is None else limit.low_us + margin_us,
        high_us=None if limit.high_us is None else limit.high_us - margin_us,
    )
    return replace(timing, limit=limit)


def _judge(body: Measure, timings: list[Timing]) -> CheckResult:
    bare = [_limited(body, timing) for timing in timings]
    limited = [_with_margin(timing, body.margin_us) for timing in bare]
    evidence: dict[str, object] = {
        "timing": {timing.label: timing.as_evidence() for timing in limited}
    }
    values = [timing.as_measurement() for timing in limited]
    result = judged(*values, evidence=evidence)
    if result.outcome is Outcome.PASSED:
        return _undecided(body, values) or result
    found = zip(bare, limited, strict=True)
    without, broken = next(two for two in found if not two[1].as_measurement().holds)
    if without.as_measurement().holds and body.margin_us is not None:
        return replace(
            result,
            kind="thin-margin",
            message=_thin(without, body.margin_us),
            hint=MARGIN_HINT,
        )
    doubt = uncertain_text(broken.value, broken.uncertainty).partition(" +- ")[2]
    beyond = f" by more than its uncertainty of {doubt} {broken.unit}" if doubt else ""
    return replace(
        result,
        kind="timing",
        message=result.message + beyond,
        hint=TIMING_HINTS.get(broken.name, result.hint),
    )


def _undecided(body: Measure, values: list[Measurement]) -> CheckResult | None:
    """An error where a bound leaves a limit open that the plan itself names."""
    if body.low is None and body.high is None and body.margin_us is None:
        return None
    left = [value for value in values if not value.shown]
    if not left:
        return None
    told = "; ".join(
        f"{value.name} is {quantity_text(value)}, "
        f"limits {limits_text(value.low, value.high)}"
        for value in left
    )
    return CheckResult(
        outcome=Outcome.ERROR,
        kind="undecided",
        message=f"the slots of this adapter cannot tell: {told}",
        hint="use an adapter whose rates reach there, or widen the plan's limits",
        measurements=tuple(values),
    )


def _thin(timing: Timing, wanted_us: float) -> str:
    """In words: inside the limit, and too near to it."""
    low, high = timing.limit.low_us, timing.limit.high_us
    near_low = high is None or (
        low is not None and timing.value - low < high - timing.value
    )
    side, limit_us = ("low", low) if near_low else ("high", high)
    unit = timing.unit
    margin = number_text(timing.margin_us or 0.0, timing.uncertainty)
    return (
        f"{timing.label} is {quantity_text(timing.as_measurement())}, "
        f"inside the {side} limit of {limit_text(limit_us or 0.0)} {unit}; its margin of "
        f"{margin} {unit} is below the {limit_text(wanted_us)} {unit} that the plan demands"
    )
