"""Makes the summary of a run from its record."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.digits import duration_text
from harness.records import DeviceRef, Measurement, Outcome
from harness.results.diagnosis.page import findings_of
from harness.results.plots.run import left_out
from harness.results.record.device_tally import DeviceResult
from harness.results.record.evidence import diagnosis_of
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, StepRecord
from harness.results.reports.wording import one_line, value_row
from harness.results.summary.corners import worst_corner
from harness.results.summary.record import (
    Summary,
    SummaryDevice,
    SummaryFailure,
    SummaryValue,
)

_NO_KEY_VALUES = frozenset({"rom_code"})
"""Names a device instead of describing it, and stands beside the values anyway."""

_SETTINGS_STEPS = frozenset({"configure"})
"""Its values are what was asked for."""


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
        devices=tuple(_devices(record)),
        failures=tuple(
            _failure(step, result)
            for step, result in results
            if result.outcome in BAD_OUTCOMES
        ),
        remarks=tuple(_remarks(record)),
        worst_corner=worst_corner(record),
    )


def _devices(record: RunRecord) -> Iterator[SummaryDevice]:
    """Each device; key values in one order for all, so that columns can be compared."""
    values = {device: _latest(record, device) for device in record.devices}
    ranks: dict[str, tuple[int, float]] = {}
    for name, measured in ((n, m) for of in values.values() for n, m in of.items()):
        ranks[name] = min(ranks.get(name, _LAST), rank_of(measured))
    for device, of_device in values.items():
        yield _device(
            record,
            device,
            sorted(of_device.values(), key=lambda m: (not _outside(m), ranks[m.name])),
        )


def _device(
    record: RunRecord, device: DeviceRef, values: list[Measurement]
) -> SummaryDevice:
    results = [(s, r) for s, r in record.results if r.device == device]
    return SummaryDevice(
        socket=one_line(device.socket),
        rom_code=one_line(device.rom_code),
        family=f"{device.family:02X}h",
        verdict=str(Outcome.worst([result.outcome for _, result in results])),
        checks=len(results),
        values=tuple(map(_value, values)),
    )


def _latest(record: RunRecord, device: DeviceRef) -> dict[str, Measurement]:
    """The last value of each quantity; one outside its limits is never replaced."""
    latest: dict[str, Measurement] = {}
    for step, result in record.results:
        if result.device != device or step.kind in _SETTINGS_STEPS:
            continue
        for m in result.shown.measurements:
            if m.name not in latest or not _outside(latest[m.name]):
                latest[m.name] = m
    return {n: m for n, m in latest.items() if n not in _NO_KEY_VALUES}


def _outside(m: Measurement) -> bool:
    return m.is_judged and not m.holds


_LAST = (9, 0.0)


def rank_of(m: Measurement) -> tuple[int, float]:
    """Outside, then numbers by their share of room, then other judged, then the rest."""
    if _outside(m):
        return 0, 0.0
    if m.margin is None or m.low == m.high:  # one value was wanted, and that is it
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


def _failure(step: StepRecord, result: DeviceResult) -> SummaryFailure:
    shown = result.shown
    tries = result.retries
    after = f" (after {tries + 1} attempts)" if tries else ""
    label = one_line(result.device.label) if result.device else ""
    return SummaryFailure(
        verdict=str(result.outcome),
        culprit=label or _cause(result),
        device=label,
        step=one_line(step.step),
        title=one_line(step.title or step.kind),
        kind=one_line(shown.kind),
        message=one_line(shown.message or shown.kind) + after,
        look_first=one_line(shown.hint),
        values=tuple(
            _value(m) for m in shown.measurements if m.is_judged and not m.holds
        ),
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
    for step, result in record.results:
        shown = result.shown
        if result.outcome not in BAD_OUTCOMES and shown.message:
            yield f"{one_line(step.step)} {one_line(step.title)}: {one_line(shown.message)}"
