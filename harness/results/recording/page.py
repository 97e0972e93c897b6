"""A judged recording as rows and sentences for a page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from harness.digits import limits_text, number_text
from harness.recordings.record.compared import (
    ComparedTime,
    echo_sentences,
    not_compared,
)
from harness.recordings.record.grouping import TransactionGroup, grouped
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.recordings.record.sentences import (
    counted,
    quantity_name,
    some_devices_sentence,
    span_text,
    thresholds_source,
)
from harness.recordings.record.shown import TraceFacts
from harness.results.recording.events import ShownRecording

MOST_SHOWN = 300
"""Rows of transactions on a page; the journal has the first 5,000 transactions."""

_MOST_OPEN = 60
"""Rows that are not folded away."""

_MOST_INSTANTS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityLine:
    """One row of the table of quantities."""

    name: str
    side: str
    count: int
    span: str
    median: str
    deviation: str
    unit: str
    limits: str
    margin: str
    doubt: str
    verdict: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLine:
    """A time of a run against the recording, with what came of it."""

    time: ComparedTime
    verdict: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingPage:
    """A recording, ready for a template.

    Attributes:
        verdict: what the line says in all.
        facts: sentences on what was read and how well times are known.
        notes: what a reader should know.
        quantities: rows of the table.
        instants: quantity, and when it was outside with its value.
        transactions: the first rows of the list; alike ones are one row.
        folded: those behind them.
        more: how many are in no row.
        echoes: sentences on the run's echoes; empty without its journal.
        times: its times against the recording.
        beside: what has no comparison, and in which steps values are outside limits.
    """

    verdict: str
    facts: tuple[str, ...]
    notes: tuple[str, ...]
    quantities: tuple[QuantityLine, ...]
    instants: tuple[tuple[str, str], ...]
    transactions: tuple[TransactionGroup, ...]
    folded: tuple[TransactionGroup, ...]
    more: int
    echoes: tuple[str, ...]
    times: tuple[TimeLine, ...]
    beside: tuple[str, ...]


def recording_page(recording: ShownRecording | None) -> RecordingPage | None:
    """The page's part on a recording; None in the report of a run."""
    if recording is None:
        return None
    groups = list(islice(grouped(recording.transactions), MOST_SHOWN))
    shown = sum(group.count for group in groups)
    return RecordingPage(
        verdict=f"{recording.facts.recording}: {recording.facts.verdict}",
        facts=tuple(_facts(recording)),
        notes=tuple(_notes(recording)),
        quantities=tuple(map(_line, recording.quantities)),
        instants=tuple(
            (quantity_name(judged.row), _instants(judged))
            for judged in recording.quantities
            if judged.worst
        ),
        transactions=tuple(groups[:_MOST_OPEN]),
        folded=tuple(groups[_MOST_OPEN:]),
        more=recording.facts.transaction_count - shown,
        echoes=tuple(echo_sentences(recording.echoes)) if recording.echoes else (),
        times=tuple(_time_line(t) for t in recording.times if t.holds is not None),
        beside=tuple(_beside(recording)),
    )


def _facts(recording: ShownRecording) -> Iterator[str]:
    facts = recording.facts
    yield (
        f"{facts.recording}, channel {facts.channel}: {number_text(facts.duration_s)} s, "
        f"{counted(facts.edges, 'edge')}. Times are known to +-{number_text(facts.doubt_us)} us "
        f"(sampling interval {number_text(facts.interval_us)} us"
        f"{', and the choice of thresholds' if facts.analog else ''})."
    )
    if (analog := facts.analog) is not None:
        source = thresholds_source(analog)
        yield (
            f"Levels {number_text(analog.low_v)} V and {number_text(analog.high_v)} V; low "
            f"from {number_text(analog.falls_below_v)} V down, high from "
            f"{number_text(analog.rises_above_v)} V up ({source})."
        )
    yield (
        f"{counted(facts.resets, 'reset')}, {facts.answered} answered by a presence pulse; "
        f"{counted(facts.slots, 'slot')}; {_checks(facts.checks)}."
    )


def _checks(count: int) -> str:
    if not count:
        return "no CRC holds besides those of ROM codes"
    return "1 CRC holds" if count == 1 else f"{count} CRCs hold"


def _notes(recording: ShownRecording) -> Iterator[str]:
    facts = recording.facts
    if facts.others and not any(facts.others[0] in note for note in facts.notes):
        yield f"other channels, not read: {', '.join(facts.others)}"
    yield from facts.notes
    for seen in facts.devices:
        for note in seen.remarks:
            yield f"{seen.rom}: {note}"
    yield from _passed_over(facts)
    for judged in recording.quantities:
        if judged.some_only:
            yield some_devices_sentence(judged)


def _passed_over(facts: TraceFacts) -> Iterator[str]:
    for count, what in (
        (facts.glitches, "too short and too near to their neighbour to be slots"),
        (facts.neithers, "longer than a slot and shorter than a reset"),
    ):
        if count:
            yield f"passed over, {counted(count, 'low')} {what}"
    if facts.spikes:
        yield f"passed over, {counted(facts.spikes, 'spike')} within a low"
    if facts.odd_lows:
        yield f"lows that are no slots: {_odd_lows(facts)}"


def _odd_lows(facts: TraceFacts) -> str:
    shown = [
        f"{odd.at_s:.6f} s: {number_text(odd.value)} us"
        for odd in facts.odd_lows[:_MOST_INSTANTS]
    ]
    more = facts.glitches + facts.neithers - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more > 0 else "")


def _time_line(time: ComparedTime) -> TimeLine:
    if time.holds:
        return TimeLine(time=time, verdict="holds", outcome="passed")
    return TimeLine(time=time, verdict="does not hold", outcome="failed")


def _beside(recording: ShownRecording) -> Iterator[str]:
    yield from not_compared(recording.times)
    if recording.echoes is not None:
        yield from recording.echoes.outside


_OUTCOMES = {
    LimitStanding.OUTSIDE: "failed",
    LimitStanding.CANNOT_TELL: "error",
    LimitStanding.WITHIN: "passed",
    LimitStanding.SOME_DEVICES: "passed",
    LimitStanding.NO_LIMIT: "",
}


def _line(judged: JudgedQuantity) -> QuantityLine:
    row, spread = judged.row, judged.deviation
    return QuantityLine(
        name=quantity_name(row),
        side=str(row.side),
        count=judged.count,
        span=span_text(judged),
        median=number_text(judged.median),
        deviation="-" if spread is None else number_text(spread, spread or None),
        unit=row.unit,
        limits=limits_text(row.loosest_low, row.loosest_high) or "-",
        margin="-" if judged.margin is None else number_text(judged.margin),
        doubt=number_text(judged.doubt),
        verdict=str(judged.standing),
        outcome=_OUTCOMES[judged.standing],
    )


def _instants(judged: JudgedQuantity) -> str:
    unit = judged.row.unit
    shown = [
        f"{instant.at_s:.6f} s: {number_text(instant.value)} {unit}"
        for instant in judged.worst[:_MOST_INSTANTS]
    ]
    more = judged.outside - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more > 0 else "")
