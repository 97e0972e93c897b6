"""One answer under several conditions: each beside the others, and the worst."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import fmean, stdev

from harness.digits import number_text
from harness.lots.report_table import Block, LotReport, ReportTable, Row
from harness.records import Outcome

_MOST_NAMED = 10

_NO_CHANCE = (
    "a yes under all conditions is no less certain than one: it needs each of them; of many "
    "conditions one no may be chance"
)
"""A test whose null hypothesis is the union of all keeps its level (intersection-union
test, Berger, Technometrics 24, 1982, p. 295)."""


def worst_of(reports: Mapping[str, LotReport], badness: Mapping[str, float]) -> str:
    """The worst condition: no before undecided before yes, then by badness.

    Args:
        reports: the answer under each.
        badness: how near to a no, by condition; higher is worse.
    """
    order = {Outcome.FAILED: 2, Outcome.SKIPPED: 1}
    return max(reports, key=lambda c: (order.get(reports[c].outcome, 0), badness[c]))


def reach_of(
    values: Sequence[float], *, low: float | None, high: float | None
) -> float:
    """Three standard deviations over the distance of the mean to the nearer limit.

    The reciprocal of Ppk of a normal lot; infinity where the mean lies outside. It ranks
    conditions, and proves nothing.
    """
    mean, deviation = fmean(values), stdev(values) if len(values) > 1 else 0.0
    room = min(
        math.inf if low is None else mean - low,
        math.inf if high is None else high - mean,
    )
    return 3 * deviation / room if room > 0 else math.inf


def lacking_notes(devices: Mapping[str, frozenset[str]]) -> dict[str, tuple[str, ...]]:
    """Devices that have no value under a condition and one under another, by condition."""
    everyone = frozenset().union(*devices.values())
    found: dict[str, tuple[str, ...]] = {}
    for condition, known in devices.items():
        gone = sorted(everyone - known)
        named = ", ".join(gone[:_MOST_NAMED])
        more = f" and {len(gone) - _MOST_NAMED} more" if len(gone) > _MOST_NAMED else ""
        text = f"no value here of {named}{more}, measured under other conditions"
        found[condition] = (text,) if gone else ()
    return found


def _notes(reports: Mapping[str, LotReport]) -> list[str]:
    """Notes that all have, once; the others with their condition."""
    common = [
        note
        for note in next(iter(reports.values())).notes
        if all(note in report.notes for report in reports.values())
    ]
    own = [
        f"at {condition}: {note}"
        for condition, report in reports.items()
        for note in report.notes
        if note not in common
    ]
    return [*common, *own]


def conditions_report(
    reports: Mapping[str, LotReport], badness: Mapping[str, float], *, measure: str
) -> LotReport:
    """All answers as one, which is that of the worst condition.

    Args:
        reports: the answer under each.
        badness: as ``worst_of`` takes it.
        measure: what it is, for the head of its column.
    """
    worst = worst_of(reports, badness)
    first = reports[worst]
    yes = sum(report.says_yes for report in reports.values())
    rows: list[Row] = [("condition", "answer", measure, "worst")]
    rows += [
        (
            condition,
            report.answer,
            number_text(badness[condition]),
            "worst" if condition == worst else "-",
        )
        for condition, report in reports.items()
    ]
    blocks: list[Block] = [(ReportTable(rows=tuple(rows)),)]
    for condition, report in reports.items():
        head, *rest = report.blocks
        blocks += [(f"At {condition}: {report.headline}.", *head), *rest]
    notes = _notes(reports)
    return LotReport(
        question=f"{first.question.removesuffix('?')} under each condition?",
        answer=f"yes under {yes} of {len(reports)}; worst at {worst}: {first.answer}",
        outcome=first.outcome,
        verdict=f"Worst at {worst}: {first.verdict}",
        blocks=tuple(blocks),
        notes=(*notes, _NO_CHANCE),
    )
