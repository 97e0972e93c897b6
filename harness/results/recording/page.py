"""A judged recording as rows and sentences for a page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.digits import limits_text, number_text
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.recordings.record.sentences import (
    quantity_name,
    some_devices_sentence,
    span_text,
    thresholds_source,
)
from harness.recordings.record.shown import ShownTransaction
from harness.results.recording.events import ShownRecording

MOST_SHOWN = 300
"""Transactions in the table of a page; the journal has the first 5,000."""

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
class RecordingPage:
    """A recording, ready for a template.

    Attributes:
        facts: sentences on what was read and how well times are known.
        notes: what a reader should know.
        quantities: rows of the table.
        instants: quantity, and when it was outside with its value.
        transactions: the first ones.
        more: how many are not shown here.
    """

    facts: tuple[str, ...]
    notes: tuple[str, ...]
    quantities: tuple[QuantityLine, ...]
    instants: tuple[tuple[str, str], ...]
    transactions: tuple[ShownTransaction, ...]
    more: int


def recording_page(recording: ShownRecording | None) -> RecordingPage | None:
    """The page's part on a recording; None in the report of a run."""
    if recording is None:
        return None
    shown = recording.transactions[:MOST_SHOWN]
    return RecordingPage(
        facts=tuple(_facts(recording)),
        notes=tuple(_notes(recording)),
        quantities=tuple(map(_line, recording.quantities)),
        instants=tuple(
            (quantity_name(judged.row), _instants(judged))
            for judged in recording.quantities
            if judged.worst
        ),
        transactions=shown,
        more=recording.facts.transaction_count - len(shown),
    )


def _facts(recording: ShownRecording) -> Iterator[str]:
    facts = recording.facts
    yield (
        f"{facts.recording}, channel {facts.channel}: {number_text(facts.duration_s)} s, "
        f"{facts.edges} edges. Times are known to +-{number_text(facts.doubt_us)} us "
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
        f"{facts.resets} resets, {facts.answered} of them answered by a presence pulse; "
        f"{facts.slots} slots; {facts.checks} CRCs hold."
    )


def _notes(recording: ShownRecording) -> Iterator[str]:
    facts = recording.facts
    if facts.others:
        yield f"other channels, not read: {', '.join(facts.others)}"
    yield from facts.notes
    for seen in facts.devices:
        for note in seen.notes:
            yield f"{seen.rom}: {note}"
    for count, what in (
        (facts.glitches, "too short and too near to their neighbour to be slots"),
        (facts.neithers, "longer than a slot and shorter than a reset"),
    ):
        if count:
            yield f"passed over, {count} lows {what}"
    if facts.spikes:
        yield f"passed over, {facts.spikes} spikes within a low"
    for odd in facts.odd_lows[:_MOST_INSTANTS]:
        yield f"{odd.at_s:.6f} s: low for {number_text(odd.value)} us, no slot"
    for judged in recording.quantities:
        if judged.some_only:
            yield some_devices_sentence(judged)


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
