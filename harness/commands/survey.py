"""`slotproof survey`: the timing instrument, beside what it should find."""

from __future__ import annotations

from pathlib import Path

from harness.commands.budget import budget_of_fixture, show_verdict
from harness.commands.run import run_and_show
from harness.digits import quantity_text, uncertain_text
from harness.output import say
from harness.plans.execution.request import RunRequest
from harness.plans.execution.survey_plan import survey_plan
from harness.plans.loading.files import load_fixture
from harness.plans.schema.files import Fixture
from harness.results.record.run import RunRecord
from harness.results.reports.bus_verdict import MeasuredRow
from harness.results.reports.timing import (
    TimingRow,
    not_measured,
    timing_lines,
    timing_rows,
)
from harness.wire.budget.table import CAPACITANCE, RISE, Budget, Measured, compare


def survey(*, fixture: Path, into: Path | None) -> int:
    """Measure every time limit of line and devices; worst margin first."""
    loaded = load_fixture(fixture)
    return run_and_show(
        RunRequest(plan=survey_plan(), fixture=loaded, into=into),
        after=lambda record: _show_survey(loaded, record),
    )


def _show_survey(fixture: Fixture, record: RunRecord) -> None:

    rows = timing_rows(record)
    say("")
    for line in [*timing_lines(rows), *not_measured(record)]:
        say(line)
    predicted = budget_of_fixture(fixture)
    _show_comparison(predicted, rows)

    say("")
    show_verdict(fixture, predicted, MeasuredRow.of(record))


def _show_comparison(predicted: Budget, rows: list[TimingRow]) -> None:
    """Predicted beside measured, with a warning where the doubts do not explain it."""
    names = {"rise_time": RISE, "capacitance": CAPACITANCE}
    values = [row.value for row in rows if row.value.name in names]
    # at most so much is anything from zero to there
    spans = [
        (float(v.value), v.uncertainty or 0.0) if v.bound is None
        else (float(v.value) / 2, float(v.value) / 2)
        for v in values
    ]  # fmt: skip
    measured = [
        Measured(name=names[value.name], value=middle, half_width=half)
        for value, (middle, half) in zip(values, spans, strict=True)
    ]
    if measured:
        say("")
    found = compare(predicted, measured)
    for value, row in zip(values, found, strict=True):
        warning = (
            "  WARNING: they disagree; is the line as declared, is a cable damp or damaged?"
            if row.warns
            else ""
        )
        say(
            f"{row.row.name}: predicted {uncertain_text(row.row.value, row.row.half_width)} "
            f"{row.row.unit}, measured {quantity_text(value)}{warning}"
        )
