"""What the counts of a soak say: claims, bursts, devices and hours with errors, drift.

Each finding that something is more than chance is an exact test at one in a hundred,
shared among all the points that were looked at. Errors that the adapter made are no
errors of the bus and stand in none of these numbers.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.quality.bursts import bursts, clustering
from harness.quality.rates import proportion_at_most, proportion_bounds
from harness.results.soak.events import SoakCount
from harness.results.soak.record import BUS, DeviceSoak, Mark, SoakRecord, TimeSpan

ALPHA = 0.01
"""Chance of a finding where there is nothing to find, over all points together."""

_FEWEST_ERRORS = 5
_FEWEST_INTERVALS = 12
_MOST_INTERVALS = 48
_LIKE_ONE = 1.5
"""Errors whose distance is less than so many rounds are one event."""

_SMALLEST_BURST = 3
_MOST_TEXTS = 40
_MOST_OFFSETS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """The error rate that is demonstrated for a device or the bus.

    Attributes:
        label: of the device, or ``bus``.
        failed: attempts that line or device spoilt.
        asked: attempts that say something about them.
        low: lower end of the exact two-sided interval of the error rate.
        high: upper end.
        at_most: exact one-sided upper bound: the rate that is demonstrated.
        confidence: of all three.
    """

    label: str
    failed: int
    asked: int
    low: float
    high: float
    at_most: float
    confidence: float


def confidence_of(soak: SoakRecord) -> float:
    """The confidence that the plan asks for."""
    return soak.head.outlook.confidence


def claims(soak: SoakRecord) -> Iterator[Claim]:
    """The bus, then each device that was asked (Clopper and Pearson)."""
    confidence = confidence_of(soak)
    rows = [(BUS, soak.failed, soak.asked)]
    rows += [
        (d.label, d.counts[SoakCount.FAILED], d.asked) for d in soak.devices.values()
    ]
    for label, failed, asked in rows:
        if asked:
            bounds = proportion_bounds(
                errors=failed, trials=asked, confidence=confidence
            )
            yield Claim(
                label=label,
                failed=failed,
                asked=asked,
                low=bounds.low,
                high=bounds.high,
                at_most=proportion_at_most(
                    errors=failed, trials=asked, confidence=confidence
                ),
                confidence=confidence,
            )


def is_excess(count: int, total: int, share: float, *, looks: int = 1) -> bool:
    """True if ``count`` of ``total`` is beyond chance where ``share`` is expected.

    The exact one-sided binomial test at ``ALPHA`` over ``looks`` points, by way of the
    lower bound of the proportion.
    """
    if not count or share >= 1:
        return False
    confidence = 1 - 2 * ALPHA / looks
    return proportion_bounds(errors=count, trials=total, confidence=confidence).low > (
        share
    )


def errors_of(soak: SoakRecord) -> list[Mark]:
    """Errors of line and devices; of one device in one round only the first."""
    first = {(m.cycle, m.key): m for m in reversed(soak.marks) if m.blame == "bus"}
    return sorted(first.values(), key=lambda mark: mark.at_s)


def round_s(soak: SoakRecord) -> float:
    """Time from round to round as it was, seconds."""
    planned_s = soak.head.outlook.every_s
    return max(planned_s, soak.elapsed_s / max(1, soak.cycles), 0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How errors lie in time.

    Attributes:
        text: in words; empty without an error.
        bursty: True if they come in bursts.
        events: errors close together counted as one, earliest first.
    """

    text: str
    bursty: bool
    events: tuple[TimeSpan, ...]


def scatter(soak: SoakRecord) -> Scatter:
    """Bursts or chance: index of dispersion over equal stretches of rounds."""
    errors = errors_of(soak)
    if not errors:
        return Scatter(text="", bursty=False, events=())
    events = _events(soak, errors)
    intervals = min(_MOST_INTERVALS, soak.cycles)
    if len(errors) < _FEWEST_ERRORS or intervals < _FEWEST_INTERVALS:
        text = f"{len(errors)} errors are too few to tell bursts from chance"
        return Scatter(text=text, bursty=False, events=events)
    counts, rounds = _counted(errors, soak, intervals)
    found = clustering(counts, exposure=rounds)
    bursty = found.p < ALPHA
    how = (
        f"{len(errors)} errors in {intervals} equal stretches of rounds "
        f"scatter {found.ratio:.3g} times as wide as independent ones (p {found.p:.2g})"
    )
    text = f"at random: {how}"
    if bursty:
        text = (
            f"in bursts: {how}; taken together they are {len(events)} events, and the "
            "claims, which suppose independent errors, are too tight"
        )
    return Scatter(text=text, bursty=bursty, events=events)


def big_bursts(soak: SoakRecord, found: Scatter) -> list[tuple[TimeSpan, list[str]]]:
    """The bursts of three errors and more, each with the devices that had them."""
    if not found.bursty:
        return []
    errors = errors_of(soak)
    rows = []
    for span in found.events:
        inside = [m for m in errors if span.from_s <= m.at_s <= span.to_s]
        if len(inside) >= _SMALLEST_BURST:
            whom = sorted({soak.label_of(m.key) for m in inside})
            rows.append((span, whom))
    return rows


def _events(soak: SoakRecord, errors: Sequence[Mark]) -> tuple[TimeSpan, ...]:
    """Errors close together as one event; none spans the cut between two runs."""
    by_part: dict[int, list[float]] = {}
    for mark in errors:
        part = soak.tested.part_of(mark.at_s)
        by_part.setdefault(part, []).append(mark.at_s)
    gap_s = _LIKE_ONE * round_s(soak)
    return tuple(
        TimeSpan(from_s=group.first_s, to_s=group.last_s, text=f"{group.errors} errors")
        for times_s in by_part.values()
        for group in bursts(times_s, gap_s=gap_s)
    )


def _counted(
    errors: Sequence[Mark], soak: SoakRecord, intervals: int
) -> tuple[list[int], list[int]]:
    """Errors and rounds of each of so many stretches of the soak."""
    counts, rounds = [0] * intervals, [0] * intervals
    last = max(soak.cycles, *(mark.cycle for mark in errors))
    for mark in errors:
        counts[min(max(mark.cycle - 1, 0) * intervals // last, intervals - 1)] += 1
    bounds = [-(-number * last // intervals) for number in range(intervals + 1)]
    for number in range(intervals):
        rounds[number] = bounds[number + 1] - bounds[number]
    return counts, rounds


def whom(soak: SoakRecord) -> str:
    """Whether errors favour one device, in words; empty with nothing to report."""
    counts = Counter(m.key for m in errors_of(soak) if m.key != BUS)
    devices = {p: d for p, d in soak.devices.items() if d.asked}
    total, looks = counts.total(), len(devices)
    if not total or looks < 2:
        return ""
    worst = list(_favoured(devices, counts))
    if worst:
        return f"errors favour {'; '.join(worst)}: look at that branch or part"
    if not is_excess(total, total, 1 / looks, looks=looks):
        return f"{total} errors are too few to tell whether they favour a device"
    return "errors favour no device: look at line, supply or adapter"


def _favoured(devices: Mapping[str, DeviceSoak], counts: Counter[str]) -> Iterator[str]:
    """Devices with more errors than their share of all readings gives by chance."""
    total, asked = counts.total(), sum(device.asked for device in devices.values())
    for key, device in devices.items():
        count, share = counts[key], device.asked / asked
        if is_excess(count, total, share, looks=len(devices)):
            expected = f"{total * share:.3g} expected"
            yield f"{device.label}: {count} of {total}, {expected}"


def hours(soak: SoakRecord, events: Iterable[TimeSpan]) -> str:
    """Whether errors favour an hour of the day, in words; empty if not."""
    total_asked = sum(soak.asked_at.values())
    struck = Counter(
        at.hour
        for event in events
        if (at := soak.calendar_of(event.from_s)) is not None
    )
    total = sum(struck.values())
    hours_named = [
        f"{hour:02d}:00 to {(hour + 1) % 24:02d}:00 UTC: {count} of {total}, "
        f"{total * soak.asked_at[hour] / total_asked:.3g} expected"
        for hour, count in sorted(struck.items())
        if total_asked
        and is_excess(
            count, total, soak.asked_at[hour] / total_asked, looks=len(soak.asked_at)
        )
    ]
    return (
        f"errors favour a time of day: {'; '.join(hours_named)}" if hours_named else ""
    )


def followers(soak: SoakRecord, events: Sequence[TimeSpan]) -> list[str]:
    """What of the event file errors follow, and what not, in words."""
    if not soak.happened:
        return []
    within_s = soak.head.events_within_s
    by_text: dict[str, list[float]] = {}
    for happening in soak.happened:
        by_text.setdefault(happening.text, []).append(happening.from_s)
    texts = sorted(by_text, key=lambda text: (-len(by_text[text]), text))[:_MOST_TEXTS]
    lines = []
    offsets = _offsets(soak, events)
    for text in texts:
        windows = _windows(by_text[text], within_s)
        share = _share(soak, windows, offsets)
        if not events:
            lines.append(
                f"{text!r} happened {_times(by_text[text])}, and no error came at all"
            )
            continue
        hits = sum(_is_within(e.from_s, windows) for e in events)
        follow = is_excess(hits, len(events), share, looks=len(texts))
        lines.append(
            f"{'errors FOLLOW' if follow else 'no sign that errors follow'} {text!r} "
            f"({_times(by_text[text])}): {hits} of {len(events)} error events lie "
            f"within {within_s:g} s after it, {len(events) * share:.2g} expected"
        )
    return lines


def _times(starts_s: Sequence[float]) -> str:
    return "once" if len(starts_s) == 1 else f"{len(starts_s)} times"


def _offsets(soak: SoakRecord, events: Sequence[TimeSpan]) -> list[float]:
    """How long before the end of its round each error event began; the first many."""
    cycles = {m.at_s: m.cycle for m in soak.marks}
    return [
        e.from_s - soak.tested.ended_s(cycles[e.from_s]) for e in events[:_MOST_OFFSETS]
    ]


def _share(
    soak: SoakRecord, windows: Sequence[tuple[float, float]], offsets: Sequence[float]
) -> float:
    """Share of the tries in the windows, had each event come in any other round.

    Each keeps its distance from the end of its round, for rounds and what happens
    in addition may keep the same time. Of events with different shares the number within
    is at most as spread as the binomial number of their mean (Hoeffding 1956, from
    memory), so the test stays on the safe side.
    """
    rounds_s = soak.tested.rounds_s
    if not rounds_s or not windows:
        return 0.0
    shifts = sorted(offsets)[:: max(1, len(offsets) // 50)] or [0.0]
    within = sum(
        bisect_right(rounds_s, to_s - shift) - bisect_left(rounds_s, from_s - shift)
        for from_s, to_s in windows
        for shift in shifts
    )
    return within / len(shifts) / len(rounds_s)


def _is_within(at_s: float, windows: Sequence[tuple[float, float]]) -> bool:
    index = bisect_right(windows, (at_s, math.inf)) - 1
    return index >= 0 and at_s <= windows[index][1]


def _windows(starts_s: list[float], within_s: float) -> list[tuple[float, float]]:
    """Times after the starts, overlaps put together, ascending."""
    windows: list[tuple[float, float]] = []
    for begin_s in sorted(starts_s):
        end_s = begin_s + within_s
        if windows and begin_s <= windows[-1][1]:
            windows[-1] = (windows[-1][0], max(windows[-1][1], end_s))
        else:
            windows.append((begin_s, end_s))
    return windows
