"""The measure step: time limits of line and devices, each with margin and verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

from harness.digits import (
    limit_text,
    number_text,
    quantity_text,
    uncertain_text,
)
from harness.errors import CannotOverdrive, NobodyAnswers
from harness.plans.execution.fixture_circuit import circuit_of
from harness.plans.schema.measure import Measure
from harness.plans.steps.attempts import LIMIT_HINT, attempt, sentence
from harness.plans.steps.context import Context
from harness.records import CheckResult, DeviceRef, Outcome
from harness.results.record.slot_evidence import NOT_MEASURED, TIMING, TimingFacts
from harness.results.reports.bus_verdict import budget_note
from harness.timing.edges import NotMeasurable
from harness.timing.survey import (
    DEVICE_NAMES,
    LINE_NAMES,
    OVERDRIVE_NAMES,
    Name,
    Timing,
)
from harness.timing.values import Standing
from harness.wire.budget.table import budget
from harness.wire.limits import Limit
from harness.wire.romcode import RomCode

TIMING_HINTS = {
    Name.CLOCK_ERROR: "set adapter.clock_tolerance_ppm, or use an adapter with a crystal",
    Name.RISE_TIME: "lower pull-up, shorter cable, or fewer devices",
    Name.PRESENCE_WAIT: "a device answers out of its time: look for a slow edge, low supply, or a bad device",
    Name.PRESENCE_END: "a device answers out of its time: look for a slow edge, low supply, or a bad device",
    Name.RESET_HIGH: "a device needs longer after a reset than it may",
    Name.LONGEST_WRITE_1: "the rise eats up the write-1 slot: lower pull-up or faster slots",
    Name.SAMPLE_INSTANT: "the device's own time base is out of its limits: repeat on a short line, then replace it",
    Name.READ_0_HOLD: "the device's own time base is out of its limits: repeat on a short line, then replace it",
    Name.SHORTEST_LOW: "the device misses short lows: look at its supply and the low level",
    Name.RECOVERY: "the device needs more recovery than it may: a lower pull-up, or replace it",
    Name.SLOT_PERIOD: "the device needs more recovery than the slots give: slower slots or a lower pull-up",
}

FINER_HINT = (
    "an adapter whose clock grid is finer can tell; where the chip is known, write its "
    "grid under adapter.kind in the fixture"
)

MARGIN_HINT = (
    "the device meets its data sheet and may miss it when cold, hot or at low supply: "
    "measure it again at another position; if it stays, keep it out of this lot"
)


def run_measure(context: Context, body: Measure) -> Iterator[CheckResult]:
    """The line's quantities in one result, each device's in one more."""
    wanted = asked_names(body)
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
            message=_silent_text(silent, of=len(context.targets())),
        )


def _silent_text(silent: Sequence[str], *, of: int) -> str:
    if len(silent) == of:
        return "no device answers in overdrive"
    return f"no answer in overdrive: {', '.join(silent)}"


def _device_in_overdrive(
    context: Context, body: Measure, names: Sequence[Name], device: DeviceRef
) -> CheckResult:
    survey, rom = context.overdrive_survey, RomCode.parse(device.rom_code)
    return _judge(body, {name: survey.of_device(name, rom) for name in names})


def asked_names(body: Measure) -> set[str]:
    """The quantities that a step asks for."""
    of_devices = OVERDRIVE_NAMES if body.speed == "overdrive" else DEVICE_NAMES
    groups: dict[str, Iterable[str]] = {
        "all": (*LINE_NAMES, *of_devices),
        "line": LINE_NAMES,
        "devices": of_devices,
    }
    return set(groups[body.what] if isinstance(body.what, str) else body.what)


def _line(context: Context, body: Measure, names: list[Name]) -> CheckResult:
    circuit = circuit_of(context.fixture_in_force)
    if note := budget_note(budget(circuit, context.bus.slots)):
        context.remark(note)
    return _judge(body, {name: context.survey.of_line(name) for name in names})


def _device(
    context: Context, body: Measure, names: Sequence[Name], device: DeviceRef
) -> CheckResult:
    rom = RomCode.parse(device.rom_code)
    survey = context.survey
    return _judge(body, {name: survey.of_device(name, rom) for name in names})


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


def demands(body: Measure) -> bool:
    """True if the plan itself wants a limit or a margin kept, not only a survey."""
    limited = body.low is not None or body.high is not None
    return limited or bool(body.margin_us)


def _judge(body: Measure, found: Mapping[Name, Timing | NotMeasurable]) -> CheckResult:
    """One result: what breaks its limit, else what was met, else why nothing is judged."""
    held = _HeldToLimits(body, found)
    result = held.measured_result()
    if broken := held.broken():
        return _failed(body, result, broken)
    if held.is_judged and (held.is_whole or not demands(body)):
        return replace(result, message=held.coverage)
    return replace(
        result,
        outcome=Outcome.ERROR if demands(body) else Outcome.SKIPPED,
        kind="not-judged",
        message=held.coverage,
        hint=FINER_HINT,
    )


class _HeldToLimits:
    """Measured times held to their limits, and what could not be measured.

    Each time is there twice: within the plan's limits alone, and with the margin that
    the plan demands taken off them.
    """

    def __init__(
        self, body: Measure, found: Mapping[Name, Timing | NotMeasurable]
    ) -> None:
        self._asked = len(found)
        timings = [t for t in found.values() if isinstance(t, Timing)]
        self._bare = [_limited(body, timing) for timing in timings]
        self._limited = [_with_margin(timing, body.margin_us) for timing in self._bare]
        self._lacking = {n: t for n, t in found.items() if isinstance(t, NotMeasurable)}
        self._opened = [text for t in self._limited if (text := t.open_text)]
        self._standings = {timing.standing for timing in self._limited}

    def broken(self) -> list[tuple[Timing, Timing]]:
        """Times beyond their limit or margin: without the margin, and with it."""
        pairs = zip(self._bare, self._limited, strict=True)
        return [two for two in pairs if two[1].standing is Standing.BROKEN]

    @property
    def is_judged(self) -> bool:
        """True if at least one time could be judged."""
        return bool(self._standings - {Standing.OPEN})

    @property
    def is_whole(self) -> bool:
        """True if everything that was asked for is measured and judged on both sides."""
        has_gap = self._lacking or self._opened
        return not has_gap and Standing.PARTLY not in self._standings

    @property
    def coverage(self) -> str:
        """How much of what was asked for was measured and judged; empty if all."""
        if not self._lacking and not self._opened:
            return ""
        measured = self._asked - len(self._lacking)
        parts = [f"{measured} of {self._asked} quantities measured"]
        parts += [f"{name} is {why.text}" for name, why in self._lacking.items()]
        parts += [f"not judged: {text}" for text in self._opened]
        return "; ".join(parts)

    def measured_result(self) -> CheckResult:
        """What was measured and what not, passed as long as nothing is against it."""
        facts = {t.label: _facts(t) for t in self._limited}
        return CheckResult(
            outcome=Outcome.PASSED,
            measurements=tuple(timing.as_measurement() for timing in self._limited),
            evidence={
                TIMING.name: TIMING.written(facts),
                NOT_MEASURED.name: {str(n): t.reason for n, t in self._lacking.items()},
            },
        )


def _facts(timing: Timing) -> TimingFacts:
    """What the measurement does not carry, for pictures and readers."""
    return TimingFacts(
        blur_us=round(timing.blur_us, 4),
        probes=timing.probes,
        basis=timing.basis,
        source=timing.limit.source,
        thin=timing.thin,
    )


def _failed(
    body: Measure, result: CheckResult, broken: list[tuple[Timing, Timing]]
) -> CheckResult:
    """The first that breaks its limit; the adapter's own clock is no fault of the bus."""
    of_bus = [two for two in broken if two[1].name is not Name.CLOCK_ERROR]
    without, worst = (of_bus or broken)[0]
    if without.standing is not Standing.BROKEN and body.margin_us is not None:
        return replace(
            result,
            outcome=Outcome.FAILED,
            kind="thin-margin",
            message=_thin(without, body.margin_us),
            hint=MARGIN_HINT,
        )
    said = sentence(worst.as_measurement())
    doubt = uncertain_text(worst.value, worst.uncertainty).partition(" +- ")[2]
    beyond = f" by more than its uncertainty of {doubt} {worst.unit}" if doubt else ""
    return replace(
        result,
        outcome=Outcome.FAILED if of_bus else Outcome.ERROR,
        kind="timing" if of_bus else "clock",
        message=said + beyond,
        hint=TIMING_HINTS.get(worst.name, LIMIT_HINT),
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
