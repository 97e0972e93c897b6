"""Makes the summary of a run from its record."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.digits import duration_text
from harness.records import DeviceRef, Measurement, Outcome
from harness.results.diagnosis.page import findings_of
from harness.results.plots.run import left_out
from harness.results.reasons import reason_words
from harness.results.record.device_tally import DeviceResult
from harness.results.record.evidence import diagnosis_of
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, NOT_REACHED
from harness.results.summary.corners import CornerResult, worst_corner
from harness.results.summary.failures import FailureGroup, failure_groups
from harness.results.summary.record import (
    Summary,
    SummaryDevice,
    SummaryFailure,
    SummaryValue,
)
from harness.results.summary.values import (
    DeviceValue,
    corners_without_value,
    device_values,
)
from harness.results.timing import explanation, timing_rows
from harness.results.wording import one_line, value_row


def summary_of(record: RunRecord) -> Summary:
    """What a reader asks first of a run."""
    results = record.results
    return Summary(
        verdict=str(record.outcome),
        exit_code=record.exit_code,
        simulated=record.simulated,
        plan=one_line(record.plan.title),
        fixture=one_line(record.fixture.title),
        started_at=record.started_at,
        duration_s=round(record.duration_s, 3),
        counts={str(outcome): record.count(outcome) for outcome in Outcome},
        retried=sum(result.passed_after_retry for _, result in results),
        bus_checks=sum(result.device is None for _, result in results),
        not_reached=_not_reached(record),
        devices=tuple(_devices(record)),
        failures=tuple(map(failure_of, failure_groups(record))),
        remarks=tuple(_remarks(record)),
        worst_corner=worst_corner(record),
        limits_bus=one_line(explanation(timing_rows(record))),
    )


def _devices(record: RunRecord) -> Iterator[SummaryDevice]:
    """Each device; key values in one order for all, so that columns can be compared."""
    values, lost = device_values(record), corners_without_value(record)
    ranks: dict[str, tuple[int, float]] = {}
    for of_device in values.values():
        for name, value in of_device.items():
            ranks[name] = min(ranks.get(name, _LAST), rank_of(value.measurement))
    for device, of_device in values.items():
        ranked = sorted(
            of_device.values(), key=lambda v: (not v.is_outside, ranks[v.name])
        )
        is_outside = any(value.is_outside for value in ranked)
        failed = None if is_outside else lost.get(device)
        yield _device(record, device, ranked, failed)


def _device(
    record: RunRecord,
    device: DeviceRef,
    values: list[DeviceValue],
    no_value: CornerResult | None,
) -> SummaryDevice:
    results = [(s, r) for s, r in record.results if r.device == device]
    return SummaryDevice(
        socket=one_line(device.socket),
        rom_code=one_line(device.rom_code),
        family=f"{device.family:02X}h",
        verdict=str(Outcome.worst([result.outcome for _, result in results])),
        checks=len(results),
        values=tuple(
            replace(
                _value(value.measurement),
                quantity=one_line(value.name),
                condition=one_line(value.step.condition),
            )
            for value in values
        ),
        no_value=_why(no_value) if no_value else "",
        no_value_condition=one_line(no_value.step.condition) if no_value else "",
    )


def _why(corner: CornerResult) -> str:
    shown = corner.result.shown
    return reason_words(one_line(shown.kind)) or str(shown.outcome)


def _outside(m: Measurement) -> bool:
    return m.is_judged and not m.holds


_LAST = (9, 0.0)


def rank_of(m: Measurement) -> tuple[int, float]:
    """Outside, then numbers by their share of room, then other judged, then the rest."""
    if _outside(m):
        return 0, 0.0
    # one value was wanted, and that is it; a count cannot be below zero
    is_none_counted = m.low is None and m.high == 0 and type(m.value) is int
    if m.margin is None or m.low == m.high or is_none_counted:
        return (2 if m.is_judged else 3), 0.0
    room = _room(m.low, m.high)
    return 1, m.margin / room if room else m.margin


def _room(low: float | None, high: float | None) -> float:
    """Width of the limits; with one limit its distance from zero."""
    if low is not None and high is not None:
        return high - low
    return abs(low or high or 0.0)


def _value(m: Measurement) -> SummaryValue:
    row = value_row(m)
    is_number = not isinstance(m.value, float) or math.isfinite(m.value)
    return SummaryValue(
        quantity=row.name,
        value=m.value if is_number else None,
        text=row.value,
        unit="" if row.unit == "-" else row.unit,
        limits=row.limits,
        low=m.low,
        high=m.high,
        verdict=row.verdict,
    )


def failure_of(group: FailureGroup) -> SummaryFailure:
    """A failure in words."""
    step, result = group.step, group.result
    label = one_line(result.device.label) if result.device else ""
    return SummaryFailure(
        verdict=str(result.outcome),
        culprit=label or _cause(result),
        device=label,
        step=one_line(step.step),
        title=group.title,
        kind=one_line(result.shown.kind),
        message=group.message,
        look_first=one_line(result.shown.hint),
        values=tuple(
            _value(m) for m in result.shown.measurements if m.is_judged and not m.holds
        ),
        conditions=tuple(map(one_line, group.conditions)),
        condition=one_line(step.condition),
    )


def _cause(result: DeviceResult) -> str:
    """The first cause that a diagnosis found; empty of any other result."""
    found = diagnosis_of(result.shown)
    titles = [f.short for f in findings_of(found)] if found else []
    return one_line(titles[0]) if titles else ""


def _remarks(record: RunRecord) -> Iterator[str]:
    retried = sum(result.passed_after_retry for _, result in record.results)
    if retried:
        yield f"{retried} of the passed after a retry"
    if record.gaps:
        yield f"adapter away for {duration_text(record.gap_s)}"
    if record.resumed:
        yield f"resumed {record.resumed} {'time' if record.resumed == 1 else 'times'}"
    if record.lines_lost:
        lines = "line" if record.lines_lost == 1 else "lines"
        yield f"{record.lines_lost} {lines} of the journal lost"
    if pictures := left_out(record):
        yield pictures
    yield from map(one_line, record.disagreements)
    yield from dict.fromkeys(_notes(record))


def _notes(record: RunRecord) -> Iterator[str]:
    """What was not judged or not done; each sentence once, however many devices."""
    if count := _not_reached(record):
        yield f"{count} {'step' if count == 1 else 'steps'} not reached"
    for step, result in record.results:
        shown = result.shown
        if result.outcome in BAD_OUTCOMES or shown.kind == NOT_REACHED:
            continue
        if shown.message:
            yield f"{one_line(step.step)} {one_line(step.title)}: {one_line(shown.message)}"


def _not_reached(record: RunRecord) -> int:
    return sum(result.shown.kind == NOT_REACHED for _, result in record.results)
