"""What the counts of a soak say: claims, bursts, whom and when errors strike, drift.

Each finding that something is more than chance is an exact test at one in a hundred,
shared among all the places that were looked at. Errors that the adapter made are no
errors of the bus and stand in none of these numbers.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.results.soak_night import BUS, Mark, Night, Span

ALPHA = 0.01
"""Chance of a finding where there is nothing to find, over all places together."""

_CONFIDENCE = 0.95
_FEWEST_ERRORS = 5
_FEWEST_INTERVALS = 12
_MOST_INTERVALS = 48
_LIKE_ONE = 1.5
"""Errors whose distance is less than so many rounds are one event."""

_SMALLEST_BURST = 3
_MOST_TEXTS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What may be claimed of a device or the bus.

    Attributes:
        label: of whom.
        failed: tries that line or device spoilt.
        asked: tries that say something of them.
        low: lower end of the exact two-sided interval of the error rate.
        high: upper end.
        at_most: exact one-sided upper bound: what may be claimed.
        confidence: of all three.
    """

    label: str
    failed: int
    asked: int
    low: float
    high: float
    at_most: float
    confidence: float


def confidence_of(night: Night) -> float:
    """The confidence that the plan asks for."""
    return float(night.facts.get("outlook", {}).get("confidence", _CONFIDENCE))


def claims(night: Night) -> Iterator[Claim]:
    """The bus, then each device that was asked (Clopper and Pearson)."""
    from harness.quality.rates import proportion_at_most, proportion_bounds  # noqa: PLC0415 - loads scipy

    confidence = confidence_of(night)
    rows = [(BUS, night.failed, night.asked)]
    rows += [(d.label, d.counts["failed"], d.asked) for d in night.devices.values()]
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

    The exact one-sided binomial test at ``ALPHA`` over ``looks`` places, by way of the
    lower bound of the proportion.
    """
    from harness.quality.rates import proportion_bounds  # noqa: PLC0415 - loads scipy

    if not count or share >= 1:
        return False
    confidence = 1 - 2 * ALPHA / looks
    return proportion_bounds(errors=count, trials=total, confidence=confidence).low > (
        share
    )


def errors_of(night: Night) -> list[Mark]:
    """Errors of line and devices; of one place in one round only the first."""
    first = {(m.cycle, m.place): m for m in reversed(night.marks) if m.blame == "bus"}
    return sorted(first.values(), key=lambda mark: mark.at_s)


def round_s(night: Night) -> float:
    """Time from round to round as it was, seconds."""
    planned_s = float(night.facts.get("outlook", {}).get("every_s", 0.0))
    return max(planned_s, night.elapsed_s / max(1, night.cycles), 0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How errors lie in time.

    Attributes:
        told: in words; empty without an error.
        bursty: True if they come in bursts.
        events: errors close together counted as one, earliest first.
    """

    told: str
    bursty: bool
    events: tuple[Span, ...]


def scatter(night: Night) -> Scatter:
    """Bursts or chance: index of dispersion over equal intervals."""
    errors = errors_of(night)
    if not errors:
        return Scatter(told="", bursty=False, events=())
    from harness.quality.bursts import bursts, dispersion  # noqa: PLC0415 - loads scipy

    groups = bursts([m.at_s for m in errors], gap_s=_LIKE_ONE * round_s(night))
    events = tuple(
        Span(from_s=g.first_s, to_s=g.last_s, text=f"{g.errors} errors") for g in groups
    )
    intervals = min(_MOST_INTERVALS, night.cycles)
    if len(errors) < _FEWEST_ERRORS or intervals < _FEWEST_INTERVALS:
        told = f"{len(errors)} errors are too few to tell bursts from chance"
        return Scatter(told=told, bursty=False, events=events)
    found = dispersion(_counted([m.at_s for m in errors], night, intervals))
    bursty = found.p < ALPHA
    how = (
        f"{len(errors)} errors in {intervals} equal times scatter "
        f"{found.variance / found.mean:.3g} times as wide as independent ones (p {found.p:.2g})"
    )
    told = f"at random: {how}"
    if bursty:
        told = (
            f"in bursts: {how}; taken together they are {len(events)} events, and the "
            "claims, which suppose independent errors, are too tight"
        )
    return Scatter(told=told, bursty=bursty, events=events)


def big_bursts(night: Night, found: Scatter) -> list[tuple[Span, list[str]]]:
    """The bursts of three errors and more, each with whom it struck."""
    if not found.bursty:
        return []
    errors = errors_of(night)
    rows = []
    for span in found.events:
        inside = [m for m in errors if span.from_s <= m.at_s <= span.to_s]
        if len(inside) >= _SMALLEST_BURST:
            whom = sorted({night.label_of(m.place) for m in inside})
            rows.append((span, whom))
    return rows


def _counted(times_s: Sequence[float], night: Night, intervals: int) -> list[int]:
    length_s = max(night.now_s, times_s[-1]) - night.started_s
    counts = [0] * intervals
    for time_s in times_s:
        place = int((time_s - night.started_s) / length_s * intervals)
        counts[min(max(place, 0), intervals - 1)] += 1
    return counts


def whom(night: Night) -> str:
    """Whether errors favour one device, in words; empty with nothing to tell."""
    counts = Counter(m.place for m in errors_of(night) if m.place != BUS)
    total, asked = sum(counts.values()), sum(d.asked for d in night.devices.values())
    devices = {p: d for p, d in night.devices.items() if d.asked}
    if not total or len(devices) < 2:
        return ""
    worst = [
        f"{d.label}: {counts[place]} of {total}, {total * d.asked / asked:.3g} expected"
        for place, d in devices.items()
        if is_excess(counts[place], total, d.asked / asked, looks=len(devices))
    ]
    if not worst:
        return "errors favour no device: look at line, supply or adapter"
    return f"errors favour {'; '.join(worst)}: look at that branch or part"


def hours(night: Night, events: Iterable[Span]) -> str:
    """Whether errors favour an hour of the day, in words; empty if not."""
    total_asked = sum(night.asked_at.values())
    struck = Counter(
        at.hour
        for event in events
        if (at := night.calendar_of(event.from_s)) is not None
    )
    total = sum(struck.values())
    told = [
        f"{hour:02d}:00 to {(hour + 1) % 24:02d}:00 UTC: {count} of {total}, "
        f"{total * night.asked_at[hour] / total_asked:.3g} expected"
        for hour, count in sorted(struck.items())
        if total_asked
        and is_excess(
            count, total, night.asked_at[hour] / total_asked, looks=len(night.asked_at)
        )
    ]
    return f"errors favour a time of day: {'; '.join(told)}" if told else ""


def followers(night: Night, events: Sequence[Span]) -> list[str]:
    """What of the event file errors follow, and what not, in words."""
    if not night.happened:
        return []
    within_s = float(night.facts.get("events_within_s", 60.0))
    by_text: dict[str, list[float]] = {}
    for happening in night.happened:
        by_text.setdefault(happening.text, []).append(happening.from_s)
    texts = sorted(by_text, key=lambda text: (-len(by_text[text]), text))[:_MOST_TEXTS]
    told = []
    for text in texts:
        windows = _windows(by_text[text], within_s, night)
        share = sum(b - a for a, b in windows) / max(
            1e-9, night.now_s - night.started_s
        )
        hits = sum(any(a <= e.from_s <= b for a, b in windows) for e in events)
        follow = bool(events) and is_excess(hits, len(events), share, looks=len(texts))
        told.append(
            f"{'errors FOLLOW' if follow else 'no sign that errors follow'} {text!r} "
            f"({len(by_text[text])} times): {hits} of {len(events)} error events lie "
            f"within {within_s:g} s after it, {len(events) * share:.2g} expected"
        )
    return told


def _windows(
    starts_s: list[float], within_s: float, night: Night
) -> list[tuple[float, float]]:
    """Times after the starts, overlaps put together, cut to the night."""
    windows: list[tuple[float, float]] = []
    for start_s in sorted(starts_s):
        begin_s = max(start_s, night.started_s)
        end_s = min(start_s + within_s, night.now_s)
        if end_s <= begin_s:
            continue
        if windows and begin_s <= windows[-1][1]:
            windows[-1] = (windows[-1][0], max(windows[-1][1], end_s))
        else:
            windows.append((begin_s, end_s))
    return windows


def median_or_none(values: Sequence[float]) -> float | None:
    """The median; None of nothing."""
    finite = [value for value in values if math.isfinite(value)]
    return statistics.median(finite) if finite else None
