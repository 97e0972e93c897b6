"""The page of a soak: what happened, when, on which device, and the rate demonstrated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.digits import amount_text, bound_text, limits_text, number_text
from harness.records import Bound
from harness.results.reasons import reason_words
from harness.results.soak.drift import Chart, drift
from harness.results.soak.events import ERROR, SoakCount
from harness.results.soak.findings import (
    Scatter,
    big_bursts,
    claims,
    followers,
    hours,
    scatter,
    whom,
)
from harness.results.soak.record import BUS, DeviceSoak, SoakRecord
from harness.results.soak.shared import courses
from harness.results.soak.trace import ValueTrace

if TYPE_CHECKING:
    from harness.results.soak.shared import Courses, DeviceCourse, Shared

_MOST_MOMENTS = 40
_MOST_EVENTS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One soak, ready for a template.

    Attributes:
        title: which step.
        before: what was reported before it ran.
        summary: sentences, the most important first.
        moments: the timeline, earliest first: when, what, and of an event of the event
            file how many errors came after it.
        claims: rows of label, failed, asked, interval, claim.
        devices: rows of label, readings, lost, retries, errors, lowest, mean, highest,
            drift, control chart.
        margins: rows of label, quantity, first, last, limits, drift.
    """

    title: str
    before: tuple[str, ...]
    summary: tuple[str, ...]
    moments: tuple[tuple[str, str, str], ...]
    claims: tuple[tuple[str, ...], ...]
    devices: tuple[tuple[str, ...], ...]
    margins: tuple[tuple[str, ...], ...]


def page_of(soak: SoakRecord) -> Page:
    """The page of one soak."""
    found = scatter(soak)
    over_time = courses(soak)
    return Page(
        title=f"step {soak.step}: {soak.head.quantity or 'soak'}",
        before=soak.head.sentences,
        summary=tuple(_summary(soak, found, over_time)),
        moments=tuple(_timeline(soak, found)),
        claims=tuple(_claims(soak)),
        devices=tuple(_devices(soak, over_time)),
        margins=tuple(_margins(soak)),
    )


def _summary(soak: SoakRecord, found: Scatter, over_time: Courses) -> Iterator[str]:
    readings, lost = soak.sum_of(SoakCount.READINGS), soak.sum_of(SoakCount.LOST)
    yield (
        f"{soak.cycles} rounds in {_hours(soak.elapsed_s)}: {readings} readings, {lost} "
        f"lost, {soak.sum_of(SoakCount.INVALID)} invalid through the adapter, "
        f"{soak.sum_of(SoakCount.RETRIES)} retries, {soak.sum_of(SoakCount.OUT_OF_LIMITS)} out of limits"
    )
    if soak.stopped:
        yield soak.stopped
    if soak.resumed:
        yield (
            f"cut and taken up again: {soak.resumed}; the time between is no time under "
            "test"
        )
    yield from _claim_sentences(soak)
    yield from _over_time(soak, over_time)
    if not found.text:
        yield "no error of line or devices"
        yield from followers(soak, found.events)
        return
    yield f"errors came {found.text}" if " times as wide" in found.text else found.text
    yield from filter(None, (whom(soak), hours(soak, found.events)))
    yield from followers(soak, found.events)
    if len(soak.marks) < soak.single_errors:
        yield f"of {soak.single_errors} single errors the first {len(soak.marks)} are looked at here"


def _over_time(soak: SoakRecord, found: Courses) -> Iterator[str]:
    """What all readings share, once, and which devices drift or change."""
    unit = f" {soak.head.unit}" if soak.head.unit else ""
    shared = found.shared
    if shared is not None and shared.is_sure:
        yield _of_shared(soak, shared, unit)
    if drifting := list(_drifting(soak, found, unit)):
        yield f"drift: {'; '.join(drifting)}"
    changed = [
        soak.label_of(key)
        for key, course in found.by_key.items()
        if course.chart is not None and course.chart.is_out_of_control
    ]
    if changed:
        yield f"out of control, more signals than chance gives: {'; '.join(changed)}"


def _drifting(soak: SoakRecord, found: Courses, unit: str) -> Iterator[str]:
    for key, course in found.by_key.items():
        drift = course.drift
        if drift is not None and drift.is_sure and not course.follows:
            yield f"{soak.label_of(key)} {drift.change:+.2g}{unit} {course.against}"


def _of_shared(soak: SoakRecord, shared: Shared, unit: str) -> str:
    text = (
        f"all devices share a movement of {shared.span:.2g}{unit} (lowest "
        f"{_when(soak, shared.lowest_s)}, highest {_when(soak, shared.highest_s)})"
    )
    if shared.line is not None and shared.line.is_sure:
        text += f", {shared.line.change:+.2g}{unit} of it along a straight line"
    return f"{text}: surroundings, or supply and adapter; no device drifts by it"


def _claim_sentences(soak: SoakRecord) -> Iterator[str]:
    for claim in claims(soak):
        if claim.label == BUS:
            yield (
                f"demonstrated at {100 * claim.confidence:g} % confidence: of all attempts "
                f"on this bus {bound_text(claim.at_most, Bound.AT_MOST)} fail ({claim.failed} of "
                f"{claim.asked} did), if errors are independent"
            )


def _claims(soak: SoakRecord) -> Iterator[tuple[str, ...]]:
    for claim in claims(soak):
        yield (
            claim.label,
            str(claim.failed),
            str(claim.asked),
            f"{_rate(claim.low)} .. {_rate(claim.high)}",
            bound_text(claim.at_most, Bound.AT_MOST),
        )


def _rate(share: float) -> str:
    return number_text(float(share))


def _devices(soak: SoakRecord, over_time: Courses) -> Iterator[tuple[str, ...]]:
    for key, device in soak.devices.items():
        if key == BUS:
            continue
        counts = device.counts
        yield (
            device.label or key,
            str(counts[SoakCount.READINGS]),
            str(counts[SoakCount.LOST]),
            str(counts[SoakCount.RETRIES]),
            _errors(device) or "none",
            _number(device.lowest),
            _number(
                device.total / counts[SoakCount.READINGS]
                if counts[SoakCount.READINGS]
                else None
            ),
            _number(device.highest),
            _drift_text(over_time.by_key.get(key)),
            _chart_text(soak, over_time.by_key.get(key)),
        )


def _number(value: float | None) -> str:
    return "-" if value is None else number_text(float(value))


def _errors(device: DeviceSoak) -> str:
    return ", ".join(
        f"{name.removeprefix(ERROR)} {count}"
        for name, count in sorted(device.counts.items())
        if name.startswith(ERROR)
    )


def _drift_text(course: DeviceCourse | None) -> str:
    if course is None or course.is_short:
        return "too short to tell"
    found = course.drift
    if found is None or not found.is_sure:
        return "none"
    text = f"{found.change:+.3g} in all ({found.per_h:+.3g} +- {found.half_width:.2g} an hour)"
    if course.follows:
        return (
            f"{text}: follows the shared movement more, less or later than the others"
        )
    return f"{text}, {course.against}"


def _chart_text(soak: SoakRecord, course: DeviceCourse | None) -> str:
    found = course.chart if course is not None else None
    if found is None:
        return "no chart: too few points, or none differ"
    if not found.is_out_of_control:
        return f"in control: {found.judged.text} ({found.rules})"
    return (
        f"out of control: {found.judged.text}{_first_out(soak, found)} ({found.rules})"
    )


def _first_out(soak: SoakRecord, found: Chart) -> str:
    if not found.out:
        return ""
    index, rule = found.out[0]
    return f"; first {_when(soak, found.points[index].at_s)}: {rule}"


def _margins(soak: SoakRecord) -> Iterator[tuple[str, ...]]:
    for key, device in soak.devices.items():
        for name, trace in device.margins.items():
            low, high = device.limits[name]
            label = device.label or ("line" if key == BUS else key)
            limits = limits_text(low, high) or "-"
            bounds = [amount_text(bound) for bound in device.bounds.get(name, ())]
            if trace.bins:
                first, last = (number_text(trace.bins[at].mean) for at in (0, -1))
                moved = _movement(trace)
                if bounds:
                    moved += f"; at other times {bounds[-1]}"
            else:
                first, last = bounds
                moved = "bounds only: no drift to judge"
            yield label, name, first, last, limits, moved


def _movement(trace: ValueTrace) -> str:
    found = drift(trace)
    if found is None:
        return "too few to tell"
    return f"{_signed(found.change)} in all" if found.is_sure else "none"


def _signed(change: float) -> str:
    return f"{'+' if change > 0 else ''}{number_text(change)}"


def _timeline(soak: SoakRecord, found: Scatter) -> Iterator[tuple[str, str, str]]:
    """Errors, gaps and events in one order; of very many of a sort the first."""
    moments, events = _moments(soak, found), _events(soak, found)
    rows = [*moments[:_MOST_MOMENTS], *events[:_MOST_EVENTS]]
    for at_s, text, after in sorted(rows, key=lambda row: row[0]):
        yield _when(soak, at_s), text, after
    for what, more in (
        ("errors and gaps", len(moments) - _MOST_MOMENTS),
        ("events", len(events) - _MOST_EVENTS),
    ):
        if more > 0:
            yield "", f"and {more} more {what}, in the journal", ""


_Row = tuple[float, str, str]
"""When, what, and what came after it."""


def _moments(soak: SoakRecord, found: Scatter) -> list[_Row]:
    rows = [(span.from_s, f"burst of {span.text}: {', '.join(names)}")
            for span, names in big_bursts(soak, found)]  # fmt: skip
    rows += [
        (gap.from_s, f"gap of {gap.to_s - gap.from_s:.0f} s: {gap.text}")
        for gap in soak.gaps
    ]
    if not found.bursty:
        rows += [
            (
                mark.at_s,
                f"{reason_words(mark.kind)}, {soak.label_of(mark.key)}: {mark.message}",
            )
            for mark in soak.marks
            if mark.blame == "bus"
        ]
    rows += [
        (mark.at_s, f"out of limits, {soak.label_of(mark.key)}: {mark.message}")
        for mark in soak.marks
        if mark.blame == "limit"
    ]
    return [(at_s, text, "") for at_s, text in sorted(rows, key=lambda row: row[0])]


def _events(soak: SoakRecord, found: Scatter) -> list[_Row]:
    """Each line of the event file, whether errors came after it or not."""
    within_s = soak.head.events_within_s
    rows = []
    for event in sorted(soak.happened, key=lambda span: span.from_s):
        after = sum(
            event.from_s <= error.from_s <= event.from_s + within_s
            for error in found.events
        )
        counted = f"{after} within {within_s:g} s" if after else "none"
        rows.append((event.from_s, f"event: {event.text}", counted))
    return rows


def _when(soak: SoakRecord, at_s: float) -> str:
    at = soak.calendar_of(at_s)
    after = _hours(at_s - soak.started_s)
    return f"{at:%Y-%m-%d %H:%M:%S} UTC, after {after}" if at else f"after {after}"


def _hours(seconds: float) -> str:
    minutes, rest_s = divmod(round(seconds), 60)
    return f"{minutes // 60} h {minutes % 60:02d} min {rest_s:02d} s"
