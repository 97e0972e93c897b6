"""The morning page of a soak: what happened, when, to whom, and what may be claimed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.digits import amount_text, bound_text, limits_text, number_text
from harness.records import Bound
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
from harness.results.soak.record import BUS, DeviceNight, SoakRecord
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


def page_of(night: SoakRecord) -> Page:
    """The page of one soak."""
    found = scatter(night)
    over_time = courses(night)
    return Page(
        title=f"step {night.step}: {night.head.quantity or 'soak'}",
        before=night.head.sentences,
        summary=tuple(_summary(night, found, over_time)),
        moments=tuple(_timeline(night, found)),
        claims=tuple(_claims(night)),
        devices=tuple(_devices(night, over_time)),
        margins=tuple(_margins(night)),
    )


def _summary(night: SoakRecord, found: Scatter, over_time: Courses) -> Iterator[str]:
    readings, lost = night.sum_of(SoakCount.READINGS), night.sum_of(SoakCount.LOST)
    yield (
        f"{night.cycles} rounds in {_hours(night.elapsed_s)}: {readings} readings, {lost} "
        f"lost, {night.sum_of(SoakCount.INVALID)} invalid through the adapter, "
        f"{night.sum_of(SoakCount.RETRIES)} retries, {night.sum_of(SoakCount.OUT_OF_LIMITS)} out of limits"
    )
    if night.stopped:
        yield night.stopped
    if night.resumed:
        yield (
            f"cut and taken up again: {night.resumed}; the time between is no time under "
            "test"
        )
    yield from _claim_sentences(night)
    yield from _over_time(night, over_time)
    if not found.text:
        yield "no error of line or devices"
        yield from followers(night, found.events)
        return
    yield f"errors came {found.text}" if " times as wide" in found.text else found.text
    yield from filter(None, (whom(night), hours(night, found.events)))
    yield from followers(night, found.events)
    if len(night.marks) < night.single_errors:
        yield f"of {night.single_errors} single errors the first {len(night.marks)} are looked at here"


def _over_time(night: SoakRecord, found: Courses) -> Iterator[str]:
    """What all readings share, once, and which devices drift or change."""
    unit = f" {night.head.unit}" if night.head.unit else ""
    shared = found.shared
    if shared is not None and shared.is_sure:
        yield _of_shared(night, shared, unit)
    if drifting := list(_drifting(night, found, unit)):
        yield f"drift: {'; '.join(drifting)}"
    changed = [
        night.label_of(place)
        for place, course in found.by_place.items()
        if course.chart is not None and course.chart.is_out_of_control
    ]
    if changed:
        yield f"out of control, more signals than chance gives: {'; '.join(changed)}"


def _drifting(night: SoakRecord, found: Courses, unit: str) -> Iterator[str]:
    for place, course in found.by_place.items():
        drift = course.drift
        if drift is not None and drift.is_sure and not course.follows:
            yield f"{night.label_of(place)} {drift.change:+.2g}{unit} {course.against}"


def _of_shared(night: SoakRecord, shared: Shared, unit: str) -> str:
    text = (
        f"all devices share a movement of {shared.span:.2g}{unit} (lowest "
        f"{_when(night, shared.lowest_s)}, highest {_when(night, shared.highest_s)})"
    )
    if shared.line is not None and shared.line.is_sure:
        text += f", {shared.line.change:+.2g}{unit} of it along a straight line"
    return f"{text}: surroundings, or supply and adapter; no device drifts by it"


def _claim_sentences(night: SoakRecord) -> Iterator[str]:
    for claim in claims(night):
        if claim.label == BUS:
            yield (
                f"demonstrated at {100 * claim.confidence:g} % confidence: of all attempts "
                f"on this bus {bound_text(claim.at_most, Bound.AT_MOST)} fail ({claim.failed} of "
                f"{claim.asked} did), if errors are independent"
            )


def _claims(night: SoakRecord) -> Iterator[tuple[str, ...]]:
    for claim in claims(night):
        yield (
            claim.label,
            str(claim.failed),
            str(claim.asked),
            f"{_rate(claim.low)} .. {_rate(claim.high)}",
            bound_text(claim.at_most, Bound.AT_MOST),
        )


def _rate(share: float) -> str:
    return number_text(float(share))


def _devices(night: SoakRecord, over_time: Courses) -> Iterator[tuple[str, ...]]:
    for place, device in night.devices.items():
        if place == BUS:
            continue
        counts = device.counts
        yield (
            device.label or place,
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
            _drift_text(over_time.by_place.get(place)),
            _chart_text(night, over_time.by_place.get(place)),
        )


def _number(value: float | None) -> str:
    return "-" if value is None else number_text(float(value))


def _errors(device: DeviceNight) -> str:
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


def _chart_text(night: SoakRecord, course: DeviceCourse | None) -> str:
    found = course.chart if course is not None else None
    if found is None:
        return "no chart: too few points, or none differ"
    if not found.is_out_of_control:
        return f"in control: {found.judged.text} ({found.rules})"
    return (
        f"out of control: {found.judged.text}{_first_out(night, found)} ({found.rules})"
    )


def _first_out(night: SoakRecord, found: Chart) -> str:
    if not found.out:
        return ""
    place, rule = found.out[0]
    return f"; first {_when(night, found.points[place].at_s)}: {rule}"


def _margins(night: SoakRecord) -> Iterator[tuple[str, ...]]:
    for place, device in night.devices.items():
        for name, trace in device.margins.items():
            low, high = device.limits[name]
            label = device.label or ("line" if place == BUS else place)
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


def _timeline(night: SoakRecord, found: Scatter) -> Iterator[tuple[str, str, str]]:
    """Errors, gaps and events in one order; of very many of a sort the first."""
    moments, events = _moments(night, found), _events(night, found)
    rows = [*moments[:_MOST_MOMENTS], *events[:_MOST_EVENTS]]
    for at_s, text, after in sorted(rows, key=lambda row: row[0]):
        yield _when(night, at_s), text, after
    for what, more in (
        ("errors and gaps", len(moments) - _MOST_MOMENTS),
        ("events", len(events) - _MOST_EVENTS),
    ):
        if more > 0:
            yield "", f"and {more} more {what}, in the journal", ""


_Row = tuple[float, str, str]
"""When, what, and what came after it."""


def _moments(night: SoakRecord, found: Scatter) -> list[_Row]:
    rows = [(span.from_s, f"burst of {span.text}: {', '.join(names)}")
            for span, names in big_bursts(night, found)]  # fmt: skip
    rows += [
        (gap.from_s, f"gap of {gap.to_s - gap.from_s:.0f} s: {gap.text}")
        for gap in night.gaps
    ]
    if not found.bursty:
        rows += [
            (mark.at_s, f"{mark.kind}, {night.label_of(mark.place)}: {mark.message}")
            for mark in night.marks
            if mark.blame == "bus"
        ]
    rows += [
        (mark.at_s, f"out of limits, {night.label_of(mark.place)}: {mark.message}")
        for mark in night.marks
        if mark.blame == "limit"
    ]
    return [(at_s, text, "") for at_s, text in sorted(rows, key=lambda row: row[0])]


def _events(night: SoakRecord, found: Scatter) -> list[_Row]:
    """Each line of the event file, whether errors came after it or not."""
    within_s = night.head.events_within_s
    rows = []
    for event in sorted(night.happened, key=lambda span: span.from_s):
        after = sum(
            event.from_s <= error.from_s <= event.from_s + within_s
            for error in found.events
        )
        counted = f"{after} within {within_s:g} s" if after else "none"
        rows.append((event.from_s, f"event: {event.text}", counted))
    return rows


def _when(night: SoakRecord, at_s: float) -> str:
    at = night.calendar_of(at_s)
    after = _hours(at_s - night.started_s)
    return f"{at:%Y-%m-%d %H:%M:%S} UTC, after {after}" if at else f"after {after}"


def _hours(seconds: float) -> str:
    minutes, rest_s = divmod(round(seconds), 60)
    return f"{minutes // 60} h {minutes % 60:02d} min {rest_s:02d} s"
