"""A judged recording as lines of text for a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import islice

from harness.digits import limits_text, number_text
from harness.families.registry import Kinds, built_in
from harness.recordings.record.grouping import grouped
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.recordings.record.sentences import (
    counted,
    doubtful_sentence,
    outside_sentence,
    quantity_name,
    shades,
    some_devices_sentence,
    span_text,
    thresholds_source,
)
from harness.recordings.trace_record import TraceRecord
from harness.recordings.wording import shown_transaction

_MOST_TRANSACTIONS = 40
_MOST_INSTANTS = 5
_MOST_WRONG = 20


def trace_lines(
    name: str, trace: TraceRecord, kinds: Kinds | None = None
) -> Iterator[str]:
    """The verdict and what it rests on, then everything that was seen.

    Args:
        name: of the file.
        trace: what it shows.
        kinds: those that are known; those built in if None.
    """
    yield f"{name}: {trace.verdict}"
    yield from finding_lines(trace)
    yield ""
    yield (
        f"channel {trace.channel}, {number_text(trace.duration_s)} s, "
        f"{counted(trace.edges, 'edge')}, times to {number_text(trace.interval_us)} us"
    )
    if trace.analog is not None:
        facts = trace.analog
        source = thresholds_source(facts)
        yield (
            f"  low from {number_text(facts.falls_below_v)} V down, high from "
            f"{number_text(facts.rises_above_v)} V up ({source})"
        )
    for note in trace.notes:
        yield f"  note: {note}"
    yield from _seen_lines(trace, kinds or built_in())
    if trace.transactions:
        yield ""
        yield from _transactions(trace)
    if trace.quantities:
        yield ""
        yield from _quantities(trace)


def _seen_lines(trace: TraceRecord, kinds: Kinds) -> Iterator[str]:
    yield (
        f"  {counted(trace.resets, 'reset')}, {trace.answered} answered by a presence "
        f"pulse, {counted(trace.slots, 'slot')}"
    )
    if trace.neithers or trace.glitches or trace.spikes:
        parts = [
            (trace.glitches, "low too short and too near to be a slot"),
            (trace.neithers, "low longer than a slot and shorter than a reset"),
            (trace.spikes, "spike within a low"),
        ]
        said = [counted(count, what) for count, what in parts if count]
        yield f"  passed over: {'; '.join(said)}"
        for odd in trace.odd_lows[:_MOST_INSTANTS]:
            yield f"    {odd.at_s:.6f} s: low for {number_text(odd.value)} us"
    notes = {seen.rom: seen.notes for seen in trace.devices}
    for rom, use in trace.roms:
        family = kinds.family_of(rom.family).name
        yield f"  {rom} ({rom.family:02X}h, {family}), {use}"
        for note in notes.get(str(rom), ()):
            yield f"      note: {note}"


def _transactions(trace: TraceRecord) -> Iterator[str]:
    yield "transactions"
    shown = 0
    groups = grouped(map(shown_transaction, trace.transactions))
    for group in islice(groups, _MOST_TRANSACTIONS):
        shown += group.count
        yield f"  {group.first.at_s:.6f} s  {group.text}"
        for line in (*group.first.lines, *filter(None, [group.notes])):
            yield f"      {line}"
        for line in group.first.wrong:
            yield f"      WRONG: {line}"
    more = trace.transaction_count - shown
    if more > 0:
        yield f"  and {more} more"


def _quantities(trace: TraceRecord) -> Iterator[str]:
    yield "times and levels (+- is half the width of what is known of each value)"
    rows = [_quantity(quantity) for quantity in trace.quantities]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        yield f"  {'  '.join(cells)}".rstrip()


def _quantity(judged: JudgedQuantity) -> tuple[str, ...]:
    row = judged.row
    limits = limits_text(row.loosest_low, row.loosest_high)
    spread = judged.deviation
    return (
        quantity_name(row),
        str(row.side),
        f"n {judged.count}",
        f"{span_text(judged)} +- {number_text(judged.doubt)} {row.unit}",
        f"median {number_text(judged.median)}",
        "" if spread is None else f"sd {number_text(spread, spread or None)}",
        f"limits {limits}" if limits else "",
        "" if judged.margin is None else f"margin {number_text(judged.margin)}",
        f"[{bars}]" if (bars := shades(judged)) else "",
        str(judged.standing),
    )


def finding_lines(trace: TraceRecord) -> Iterator[str]:
    """What is outside or wrong, then what cannot be determined; nothing if all is well."""
    yield from _outside_lines(trace)
    yield from _wrong_lines(trace)
    for judged in trace.quantities:
        if judged.standing is LimitStanding.CANNOT_TELL and not trace.unjudged:
            yield f"CANNOT TELL: {doubtful_sentence(judged)}"
    for reason in trace.reasons:
        yield f"CANNOT TELL: {reason}"
    yield from _odd_lines(trace)
    for judged in trace.quantities:
        if judged.some_only:
            yield f"note: {some_devices_sentence(judged)}"


def _odd_lines(trace: TraceRecord) -> Iterator[str]:
    """Stores without confirmation, and resets that end a transaction within a byte."""
    for refused in trace.refused[:_MOST_INSTANTS]:
        yield f"note: not confirmed: {refused.what}, at {refused.at_s:.6f} s"
    if trace.interruptions:
        first = trace.interruptions[0]
        count = counted(len(trace.interruptions), "transaction")
        yield (
            f"note: {count} ended within a byte by a reset of another length: a second "
            f"host? The first at {first.at_s:.6f} s, {number_text(first.reset_us)} us, not "
            f"{number_text(first.own_reset_us)} us"
        )


def _outside_lines(trace: TraceRecord) -> Iterator[str]:
    for judged in trace.quantities:
        if judged.standing is not LimitStanding.OUTSIDE:
            continue
        yield f"OUTSIDE: {outside_sentence(judged)}"
        unit = judged.row.unit
        for instant in judged.worst[:_MOST_INSTANTS]:
            yield f"    {instant.at_s:.6f} s: {number_text(instant.value)} {unit}"


def _wrong_lines(trace: TraceRecord) -> Iterator[str]:
    wrong = Counter(entry.what for entry in trace.wrong)
    first = {entry.what: entry.at_s for entry in reversed(trace.wrong)}
    for what, count in wrong.most_common(_MOST_WRONG):
        times = f" ({count} times)" if count > 1 else ""
        yield f"WRONG: {what}{times}, first at {first[what]:.6f} s"
    if len(wrong) > _MOST_WRONG:
        yield f"WRONG: and {len(wrong) - _MOST_WRONG} more"
