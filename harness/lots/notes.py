"""What a verdict on lots does not cover: units left out, units without a value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.lots.lot import Lot
from harness.lots.report_table import LotReport
from harness.records import Outcome
from harness.results.wording import number_text, one_line

_MOST_NAMED = 5
"""Units named in one note."""


def exclusion_notes(lots: Sequence[Lot]) -> tuple[str, ...]:
    """A sentence for each way in which units of a lot do not count."""
    notes: list[str] = []
    if simulated := [lot.name for lot in lots if lot.simulated]:
        notes.append(
            f"SIMULATED: readings of {' and '.join(simulated)} come from a simulated bench."
        )
    for lot in lots:
        if lot.left_out:
            notes.append(f"{lot.name}: left out as asked: {_units(lot.left_out)}.")
        if lot.without_value:
            notes.append(f"{lot.name}: without a value: {_units(lot.without_value)}.")
        if lot.invalid:
            was = "is invalid and does" if lot.invalid == 1 else "are invalid and do"
            notes.append(
                f"{lot.name}: {_counted(lot.invalid, 'reading')} {was} not count (errors, "
                "or bounds only)."
            )
    return tuple(one_line(note) for note in notes)


def outside_notes(
    lot: Lot, *, low: float | None, high: float | None
) -> tuple[str, ...]:
    """Units with a reading outside the limits, whatever their means and indices say."""
    outside = lot.outside(low, high)
    if not outside:
        return ()
    worst = [f"{d} {number_text(v)}" for d, v in list(outside.items())[:_MOST_NAMED]]
    more = ", ..." if len(outside) > _MOST_NAMED else ""
    return (
        one_line(
            f"{lot.name}: {_counted(len(outside), 'unit')} with a reading outside the "
            f"limits: {', '.join(worst)}{more} {lot.unit}".rstrip()
        )
        + ".",
    )


def held_to_readings(
    report: LotReport, lot: Lot, *, low: float | None, high: float | None
) -> LotReport:
    """The answer, which is no where a reading lies outside the limits.

    An index of means may be proved though a unit has failed by one of its readings.
    """
    notes = outside_notes(lot, low=low, high=high)
    if not notes:
        return report
    said = "readings outside the limits"
    answer = f"{report.answer}, but {said}" if report.says_yes else report.answer
    return replace(report, answer=answer, outcome=Outcome.FAILED).noting(*notes)


def _units(devices: Sequence[str]) -> str:
    more = ", ..." if len(devices) > _MOST_NAMED else ""
    return (
        f"{_counted(len(devices), 'unit')} ({', '.join(devices[:_MOST_NAMED])}{more})"
    )


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
