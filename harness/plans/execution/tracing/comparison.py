"""A recording beside the journal of the run that it shows: echoes, then times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from harness.digits import number_text
from harness.plans.execution.tracing.results import CANNOT_TELL, TraceStep
from harness.plans.execution.tracing.traffic import TRAFFIC
from harness.recordings.comparing.bursts import SeenBurst
from harness.recordings.comparing.echoes import EchoComparison, compare_echoes
from harness.recordings.comparing.receiver import receiver_view
from harness.recordings.comparing.step_share import step_sentences
from harness.recordings.comparing.times import StatedTime, compare_times
from harness.recordings.record.compared import (
    ComparedEchoes,
    ComparedTime,
    not_compared,
)
from harness.recordings.trace_record import TraceRecord
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.journal.reader import read_events
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord

_MOST_EVIDENCE = 20


@dataclass(slots=True)
class RunBeside:
    """What a journal has that a recording can be held against.

    Attributes:
        bursts: what the run sent and heard.
        stated: times of its ``measure`` steps.
        devices: those that a ``measure`` step asked, by label.
        sockets: of each device that the run met in one, by ROM code.
        steps: in which step each burst was sent; empty for one of no step.
    """

    bursts: list[SeenBurst] = field(default_factory=list)
    stated: list[StatedTime] = field(default_factory=list)
    devices: dict[str, DeviceRef] = field(default_factory=dict)
    sockets: dict[str, str] = field(default_factory=dict)
    steps: list[str] = field(default_factory=list)


def run_of(journal: Path) -> RunBeside:
    """Bursts and stated times of a journal.

    Raises:
        UsageError: the file is no journal, or damaged.
    """
    found, measuring, begun = RunBeside(), set[str](), 0
    rise, step = (0.0, 0.0), ""
    for event in read_events(journal):
        name = event["event"]
        if name == TRAFFIC.name:
            found.steps.append(step)
            found.bursts.append(_seen(event, len(found.bursts)))
        elif name == "step_started":
            title = event.get("title") or event.get("kind", "")
            step = f"in step {event['step']} ({title})"
            if event.get("kind") == "measure":
                measuring.add(str(event["step"]))
                begun = len(found.bursts)
        elif name == "step_done":
            step = ""
        elif name == "check_done":
            result = CheckResult.from_dict(event["result"])
            found.sockets |= _socket_of(result.device)
            if str(event["step"]) not in measuring:
                continue
            rise = _rise(result, rise)
            found.stated += _stated(result, (begun, len(found.bursts)), rise)
            if result.device is not None:
                found.devices[result.device.label] = result.device
            begun = len(found.bursts)
    return found


def _socket_of(device: DeviceRef | None) -> dict[str, str]:
    if device is None or not device.socket:
        return {}
    return {str(device.rom_code): device.socket}


def _seen(event: dict[str, Any], number: int) -> SeenBurst:
    burst = TRAFFIC.read(event)
    return SeenBurst(
        number=number,
        sent=bytes.fromhex(burst.sent),
        heard=bytes.fromhex(burst.heard),
        bit_us=burst.bit_us,
        stop_bits=burst.stop_bits,
    )


def comparison_lines(record: RunRecord) -> Iterator[str]:
    """Both comparisons for a terminal; nothing where there was none."""
    if record.recording is not None and record.recording.echoes is not None:
        yield from record.recording.echoes.outside
    for step in record.steps:
        if step.kind != "compare":
            continue
        for result in step.results:
            whose = f" of {result.device.label}" if result.device else ""
            said = result.shown.message or _count_text(result)
            yield f"{step.step}{whose}: {result.outcome}: {said}"
            for note in result.shown.notes:
                yield f"    {note}"


def _count_text(result: DeviceResult) -> str:
    """The counts of the echoes; of times how many of them are compared."""
    values = result.shown.measurements
    numbers = [m for m in values if m.name.endswith(", E_n")]
    if numbers:
        return f"{len(numbers)} E_n number{'s' if len(numbers) > 1 else ''}"
    return ", ".join(
        f"{m.name} {number_text(m.value)}"
        for m in values
        if not m.unit and not isinstance(m.value, str)
    )


def _rise(result: CheckResult, before: tuple[float, float]) -> tuple[float, float]:
    for m in result.measurements:
        if m.name == "rise_time" and isinstance(m.value, float):
            return m.value, m.uncertainty or 0.0
    return before


def _stated(
    result: CheckResult, bursts: tuple[int, int], rise: tuple[float, float]
) -> Iterator[StatedTime]:
    for m in result.measurements:
        if isinstance(m.value, str | bool) or m.unit not in {"us", "ppm", "nF"}:
            continue
        yield StatedTime(
            name=m.name,
            unit=m.unit,
            value=float(m.value),
            uncertainty=m.uncertainty,
            bound=m.bound,
            device=result.device.label if result.device else "",
            bursts=bursts,
            rise_us=rise[0],
            rise_doubt_us=rise[1],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RunComparison:
    """A run against a recording.

    Attributes:
        steps: the results, for every report.
        echoes: the counts.
        times: each time that the run states.
    """

    steps: tuple[TraceStep, ...]
    echoes: ComparedEchoes
    times: tuple[ComparedTime, ...] = ()


def with_sockets(trace: TraceRecord, beside: RunBeside) -> TraceRecord:
    """The same with the sockets in which the run found its devices."""
    devices = tuple(
        seen if seen.socket else replace(seen, socket=beside.sockets.get(seen.rom, ""))
        for seen in trace.devices
    )
    return replace(trace, devices=devices)


def compare(trace: TraceRecord, beside: RunBeside) -> RunComparison:
    """Hold the echoes and times of a run against the recording."""
    assert trace.lows_us is not None
    view = receiver_view(
        trace.lows_us, trace.doubt_us, trace.analog, trace.quantities, trace.between_us
    )
    found = compare_echoes(view, beside.bursts)
    echoes = TraceStep(
        step="echoes",
        kind="compare",
        title="of the run against the line",
        results=(_echoes(found, beside),),
    )
    outside = tuple(step_sentences(trace.quantities, found.held, beside.steps))
    counts = ComparedEchoes(
        outside=outside,
        characters=found.characters,
        agree=found.agree,
        disagree=found.wrong_count,
        cannot_tell=found.undetermined,
        resets=found.frames,
        resets_found=found.frames_found,
    )
    if not beside.stated:
        return RunComparison(steps=(echoes,), echoes=counts)
    times = list(compare_times(beside.stated, found, beside.bursts, view))
    labels = list(dict.fromkeys(time.device for time in times))
    step = TraceStep(
        step="times",
        kind="compare",
        title="of the run against the line",
        results=tuple(
            _times([t for t in times if t.device == label], beside, label)
            for label in labels
        ),
    )
    return RunComparison(steps=(echoes, step), echoes=counts, times=tuple(times))


def _echoes(found: EchoComparison, beside: RunBeside) -> CheckResult:
    measured = (
        Measurement(name="characters of the run", value=found.characters),
        Measurement(name="characters compared", value=found.compared),
        Measurement(name="echoes that agree", value=found.agree),
        Measurement(name="echoes that disagree", value=found.wrong_count, high=0),
        Measurement(name="echoes that cannot be determined", value=found.undetermined),
        Measurement(name="characters not compared", value=found.left_out.total()),
        Measurement(name="bits too near to an edge", value=found.open_bits),
        Measurement(name="resets of the run", value=found.frames),
        Measurement(name="resets in the recording", value=found.frames_found),
    )
    if not beside.bursts:
        return CheckResult(
            outcome=Outcome.ERROR,
            kind=CANNOT_TELL,
            message="the journal has no echoes to compare",
            hint="run the plan again with --echoes, which keeps them in the journal",
        )
    if not found.frames_found:
        return CheckResult(
            outcome=Outcome.ERROR,
            kind=CANNOT_TELL,
            message=f"the run is not found in the recording: none of its {found.frames} "
            "resets is followed there by the slots that were heard",
            hint="is it the recording of this run, and of the data line?",
            measurements=measured,
        )
    notes = tuple(_left_open(found))
    if not found.wrong_count:
        return CheckResult(
            outcome=Outcome.PASSED,
            measurements=measured,
            notes=notes,
        )
    at_s, what = found.wrong[0]
    return CheckResult(
        outcome=Outcome.FAILED,
        kind="echo",
        message=f"{found.wrong_count} of {found.compared} echoes are not what the line did; "
        f"the first at {at_s:.6f} s: {what}",
        hint="look at the adapter's receiver: threshold, wiring, level converter",
        measurements=measured,
        notes=notes,
        evidence={
            "wrong": [f"{at:.6f} s: {w}" for at, w in found.wrong[:_MOST_EVIDENCE]]
        },
    )


def _left_open(found: EchoComparison) -> Iterator[str]:
    """What was not compared, and what came of no comparison, by number and reason."""
    lost = found.frames - found.frames_found
    if lost:
        yield f"{lost} of {found.frames} resets of the run are not in the recording"
    for why, count in sorted(found.left_out.items()):
        plural = "s are" if count != 1 else " is"
        yield f"{count} character{plural} not compared: {why}"
    if found.undetermined:
        yield (
            f"{found.undetermined} of {found.compared} echoes cannot be determined: where they differ "
            "from the line, it changes too near to the sample, or is between the "
            "receiver's levels"
        )


def _times(times: list[ComparedTime], beside: RunBeside, label: str) -> CheckResult:
    judged = [time for time in times if time.holds is not None]
    broken = [time for time in judged if not time.holds]
    result = CheckResult(
        outcome=Outcome.PASSED,
        device=beside.devices.get(label),
        measurements=tuple(m for time in judged for m in _values(time)),
        notes=(*map(_sentence, judged), *not_compared(times)),
    )
    if not judged:
        return replace(
            result,
            outcome=Outcome.SKIPPED,
            kind="not-shown",
            message="the recording shows none of these times",
        )
    if not broken:
        return result
    return replace(
        result,
        outcome=Outcome.FAILED,
        kind="uncertainty",
        message="; ".join(map(_sentence, broken)),
        hint="the stated uncertainty does not hold for this adapter on this line",
    )


def _values(time: ComparedTime) -> Iterator[Measurement]:
    assert time.recorded is not None
    yield Measurement(
        name=f"{time.name}, recorded",
        value=time.recorded,
        unit=time.unit,
        uncertainty=time.doubt,
    )
    if time.e_n is not None:
        # the verdict rests on the number itself: a rounded 1.00 may be above 1
        shown = round(time.e_n, 2)
        value = shown if (abs(shown) <= 1) is time.holds else time.e_n
        yield Measurement(name=f"{time.name}, E_n", value=value, low=-1.0, high=1.0)


def _sentence(time: ComparedTime) -> str:
    number = f", E_n {time.e_n_text}" if time.e_n_text else ""
    holds = "holds" if time.holds else "does NOT hold"
    return (
        f"{time.name}: run {time.stated_text} {time.unit}, recording "
        f"{time.recorded_text} {time.unit}{number}: {holds}"
    )
