"""A recording beside the journal of the run that it shows: echoes, then times."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from harness.digits import number_text
from harness.plans.execution.tracing.results import CANNOT_TELL, TraceStep
from harness.plans.execution.tracing.traffic import TRAFFIC
from harness.recordings.comparing.bursts import SeenBurst
from harness.recordings.comparing.echoes import EchoComparison, compare_echoes
from harness.recordings.comparing.receiver import receiver_view
from harness.recordings.comparing.times import (
    StatedTime,
    TimeComparison,
    compare_times,
)
from harness.recordings.trace_record import TraceRecord
from harness.records import Bound, CheckResult, DeviceRef, Measurement, Outcome
from harness.results.journal.reader import read_events
from harness.results.record.run import RunRecord

_MOST_EVIDENCE = 20


@dataclass(slots=True)
class RunBeside:
    """What a journal has that a recording can be held against.

    Attributes:
        bursts: what the run sent and heard.
        stated: times of its ``measure`` steps.
    """

    bursts: list[SeenBurst] = field(default_factory=list)
    stated: list[StatedTime] = field(default_factory=list)
    devices: dict[str, DeviceRef] = field(default_factory=dict)


def run_of(journal: Path) -> RunBeside:
    """Bursts and stated times of a journal.

    Raises:
        UsageError: the file is no journal, or damaged.
    """
    found, measuring, begun = RunBeside(), set[str](), 0
    rise = (0.0, 0.0)
    for event in read_events(journal):
        name = event["event"]
        if name == TRAFFIC.name:
            burst = TRAFFIC.read(event)
            found.bursts.append(
                SeenBurst(
                    number=len(found.bursts),
                    sent=bytes.fromhex(burst.sent),
                    heard=bytes.fromhex(burst.heard),
                    bit_us=burst.bit_us,
                    stop_bits=burst.stop_bits,
                )
            )
        elif name == "step_started" and event.get("kind") == "measure":
            measuring.add(str(event["step"]))
            begun = len(found.bursts)
        elif name == "check_done" and str(event["step"]) in measuring:
            result = CheckResult.from_dict(event["result"])
            rise = _rise(result, rise)
            found.stated += _stated(result, (begun, len(found.bursts)), rise)
            if result.device is not None:
                found.devices[result.device.label] = result.device
            begun = len(found.bursts)
    return found


def comparison_lines(record: RunRecord) -> Iterator[str]:
    """Both comparisons for a terminal; nothing where there was none."""
    for step in record.steps:
        if step.kind != "compare":
            continue
        for result in step.results:
            whose = f" of {result.device.label}" if result.device else ""
            said = result.shown.message or _count_text(result.shown.measurements)
            yield f"{step.step}{whose}: {result.outcome}: {said}"
            for note in result.shown.notes:
                yield f"    {note}"


def _count_text(values: Iterable[Measurement]) -> str:
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
            at_most=m.bound is Bound.AT_MOST,
            at_least=m.bound is Bound.AT_LEAST,
            device=result.device.label if result.device else "",
            bursts=bursts,
            rise_us=rise[0],
            rise_doubt_us=rise[1],
        )


def comparison_steps(trace: TraceRecord, beside: RunBeside) -> Iterator[TraceStep]:
    """The results of both comparisons."""
    assert trace.lows_us is not None
    view = receiver_view(
        trace.lows_us, trace.doubt_us, trace.analog, trace.quantities, trace.between_us
    )
    found = compare_echoes(view, beside.bursts)
    yield TraceStep(
        step="echoes",
        kind="compare",
        title="of the run against the line",
        results=(_echoes(found, beside),),
    )
    if not beside.stated:
        return
    times = list(compare_times(beside.stated, found, beside.bursts, view))
    labels = list(dict.fromkeys(time.stated.device for time in times))
    yield TraceStep(
        step="times",
        kind="compare",
        title="of the run against the line",
        results=tuple(
            _times([t for t in times if t.stated.device == label], beside, label)
            for label in labels
        ),
    )


def _echoes(found: EchoComparison, beside: RunBeside) -> CheckResult:
    measured = (
        Measurement(name="characters of the run", value=found.characters),
        Measurement(name="characters compared", value=found.compared),
        Measurement(name="echoes that agree", value=found.agree),
        Measurement(name="echoes that disagree", value=found.wrong_count, high=0),
        Measurement(name="echoes that cannot be told", value=found.untold),
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
    if found.untold:
        yield (
            f"{found.untold} of {found.compared} echoes cannot be told: where they differ "
            "from the line, it changes too near to the sample, or is between the "
            "receiver's levels"
        )


def _times(times: list[TimeComparison], beside: RunBeside, label: str) -> CheckResult:
    judged = [time for time in times if time.holds is not None]
    broken = [time for time in judged if not time.holds]
    result = CheckResult(
        outcome=Outcome.PASSED,
        device=beside.devices.get(label),
        measurements=tuple(m for time in judged for m in _values(time)),
        notes=(*map(_sentence, judged), *_not_compared(times)),
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


def _not_compared(times: list[TimeComparison]) -> Iterator[str]:
    not_shown = [f"{t.stated.name}: {t.why}" for t in times if t.holds is None]
    if not_shown:
        yield f"not compared: {'; '.join(not_shown)}"


def _values(time: TimeComparison) -> Iterator[Measurement]:
    stated, recorded = time.stated, time.recorded
    assert recorded is not None
    yield Measurement(
        name=f"{stated.name}, recorded",
        value=recorded,
        unit=stated.unit,
        uncertainty=time.doubt,
    )
    if time.e_n is not None:
        yield Measurement(
            name=f"{stated.name}, E_n", value=time.e_n, low=-1.0, high=1.0
        )


def _sentence(time: TimeComparison) -> str:
    stated, recorded = time.stated, time.recorded
    assert recorded is not None
    value: dict[str, Any] = {
        "said": number_text(stated.value, stated.uncertainty),
        "seen": number_text(recorded, time.doubt or None),
    }
    kind = "at most " if stated.at_most else "at least " if stated.at_least else ""
    doubt = (
        f" +- {number_text(stated.uncertainty, stated.uncertainty)}"
        if stated.uncertainty
        else ""
    )
    number = "" if time.e_n is None else f", E_n {time.e_n:.2f}"
    holds = "holds" if time.holds else "does NOT hold"
    return (
        f"{stated.name}: run {kind}{value['said']}{doubt} {stated.unit}, recording "
        f"{value['seen']} +- {number_text(time.doubt, time.doubt or None)} {stated.unit}"
        f"{number}: {holds}"
    )
