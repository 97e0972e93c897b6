"""A judged recording as results of steps, which every report of a run shows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from harness.diagnosis.diagnosis import DIAGNOSIS, Diagnosis
from harness.diagnosis.recorded import findings_of
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding, ValueOwner
from harness.recordings.record.sentences import (
    doubtful_text,
    outside_text,
    quantity_name,
    some_devices_sentence,
)
from harness.recordings.record.shown import (
    SeenDevice,
    TraceFacts,
    TraceVerdict,
    WrongAt,
)
from harness.recordings.trace_record import TraceRecord
from harness.records import CheckResult, DeviceRef, Measurement, Outcome

CANNOT_TELL = "cannot-tell"
_MOST_EVIDENCE = 20
_SAMPLE_FASTER = (
    "record again at a higher sampling rate: a time is known to no better than the "
    "sampling interval"
)

_RISKS = {
    ValueOwner.HOST: "some devices accept it, others do not",
    ValueOwner.DEVICE: "some hosts accept it, others do not",
    ValueOwner.EITHER: "some hosts and devices accept it, others do not",
    ValueOwner.LINE: "look at pull-up, length and load of the line",
}
"""What a value beyond its limit means for the other side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceStep:
    """One step of a recording's judgement, with its results."""

    step: str
    kind: str
    title: str
    results: tuple[CheckResult, ...]


def trace_steps(trace: TraceRecord, facts: TraceFacts) -> Iterator[TraceStep]:
    """What the recording can show, what is on the line, and each quantity.

    Args:
        trace: the recording, judged.
        facts: the same in numbers, for the findings page.
    """
    yield TraceStep(
        step="recording", kind="read", title="read", results=(_reading(trace),)
    )
    yield TraceStep(
        step="transactions",
        kind="decode",
        title="on the line",
        results=(_with_findings(_line(trace), trace, facts), *_devices(trace)),
    )
    for judged in trace.quantities:
        yield TraceStep(
            step=quantity_name(judged.row),
            kind="judge",
            title=f"of the {judged.row.side}",
            results=(_judged(judged, trace),),
        )


def open_outcome(verdict: TraceVerdict) -> Outcome:
    """The outcome of what a recording cannot show.

    An error, since nothing was judged; but where something else is outside its limits
    that is the verdict on the recording, and what could not be determined is skipped.
    """
    return Outcome.SKIPPED if verdict is TraceVerdict.OUTSIDE else Outcome.ERROR


def _with_findings(
    result: CheckResult, trace: TraceRecord, facts: TraceFacts
) -> CheckResult:
    """The same with the findings of the recording, for the page that `diagnose` has."""
    if trace.unjudged or not (found := findings_of(facts, trace.quantities)):
        return result
    written = DIAGNOSIS.written(Diagnosis(findings=found))
    return replace(result, evidence={**result.evidence, DIAGNOSIS.name: written})


def _reading(trace: TraceRecord) -> CheckResult:
    measured = (
        Measurement(name="duration", value=trace.duration_s, unit="s"),
        Measurement(name="edges", value=trace.edges),
        Measurement(name="doubt of times", value=trace.doubt_us, unit="us"),
    )
    if not trace.reasons:
        return CheckResult(
            outcome=Outcome.PASSED, measurements=measured, notes=trace.notes
        )
    return CheckResult(
        outcome=open_outcome(trace.verdict),
        kind=CANNOT_TELL,
        message=f"the recording cannot tell: {'; '.join(trace.reasons)}",
        hint=_SAMPLE_FASTER if "too slowly" in trace.reasons[0] else "record again",
        measurements=measured,
        notes=trace.notes,
    )


def _line(trace: TraceRecord) -> CheckResult:
    wrong = [entry for entry in trace.wrong if not entry.rom]
    measured = (
        Measurement(name="resets", value=trace.resets),
        Measurement(name="resets answered", value=trace.answered),
        Measurement(name="slots", value=trace.slots),
        Measurement(name="transactions", value=trace.transaction_count),
        Measurement(name="CRCs that hold", value=trace.checks),
        Measurement(
            name="lows that are no slots", value=trace.glitches + trace.neithers
        ),
        Measurement(name="spikes within lows", value=trace.spikes),
    )
    return _decoded(wrong, measured, None)


def _devices(trace: TraceRecord) -> Iterator[CheckResult]:
    for seen in trace.devices:
        wrong = [entry for entry in trace.wrong if entry.rom == seen.rom]
        measured = (
            Measurement(name="transactions", value=seen.transactions),
            Measurement(name="CRCs that hold", value=seen.checks),
        )
        yield replace(_decoded(wrong, measured, _reference(seen)), notes=seen.notes)


def _reference(seen: SeenDevice) -> DeviceRef:
    return DeviceRef(
        rom_code=seen.rom, family=int(seen.rom[-2:], 16), socket=seen.socket
    )


def _decoded(
    wrong: list[WrongAt], measured: tuple[Measurement, ...], device: DeviceRef | None
) -> CheckResult:
    if not wrong:
        return CheckResult(outcome=Outcome.PASSED, device=device, measurements=measured)
    first, more = wrong[0], len(wrong) - 1
    also = f", and {more} more" if more else ""
    return CheckResult(
        outcome=Outcome.FAILED,
        device=device,
        kind="decode",
        message=f"{first.what}, at {first.at_s:.6f} s{also}",
        hint="look at the line there: edges, levels, a second host",
        measurements=measured,
        evidence={
            "wrong": [f"{e.at_s:.6f} s: {e.what}" for e in wrong[:_MOST_EVIDENCE]]
        },
    )


def _judged(judged: JudgedQuantity, trace: TraceRecord) -> CheckResult:
    outcome, kind, message, hint = Outcome.PASSED, "", "", ""
    if judged.standing is LimitStanding.OUTSIDE:
        outcome, kind, message = Outcome.FAILED, "limit", outside_text(judged)
        hint = f"the pictures show the worst one; {_RISKS[judged.row.side]}"
    elif judged.standing is LimitStanding.CANNOT_TELL:
        outcome, kind = open_outcome(trace.verdict), CANNOT_TELL
        message, hint = doubtful_text(judged), _SAMPLE_FASTER
        if judged.open_because:
            hint = "record a search too, or name the sockets by --fixture"
        if trace.unjudged:
            message = f"not judged: {trace.unjudged}"
    unit = judged.row.unit
    evidence = {
        "worst": [
            f"{i.at_s:.6f} s: {i.value:g} {unit}" for i in judged.worst[:_MOST_EVIDENCE]
        ]
    }
    return CheckResult(
        outcome=outcome,
        kind=kind,
        message=message,
        hint=hint,
        measurements=tuple(_values(judged)),
        evidence=evidence if judged.worst else {},
        notes=(some_devices_sentence(judged),) if judged.some_only else (),
    )


def _values(judged: JudgedQuantity) -> Iterator[Measurement]:
    row = judged.row
    for name, value in (("min", judged.minimum), ("max", judged.maximum)):
        yield Measurement(
            name=name,
            value=value,
            unit=row.unit,
            low=row.loosest_low,
            high=row.loosest_high,
            uncertainty=judged.doubt,
            # a value beyond a limit by less than its doubt is no miss: it is listed separately
            # by the verdict of the quantity
            beyond_doubt=judged.standing is not LimitStanding.OUTSIDE,
        )
    yield Measurement(name="median", value=judged.median, unit=row.unit)
    if judged.deviation is not None:
        yield Measurement(
            name="standard deviation", value=judged.deviation, unit=row.unit
        )
    yield Measurement(name="values", value=judged.count)
    if judged.row.loosest_low is not None or judged.row.loosest_high is not None:
        yield Measurement(name="values outside", value=judged.outside, high=0)
        yield Measurement(name="values in doubt", value=judged.doubtful)
