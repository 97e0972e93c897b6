"""`slotproof survey`: the timing instrument, beside what it should find."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from harness.commands.base import guesses_named, print_json, show_run, warn_left_on
from harness.commands.budget import budget_of_fixture, bus_verdict
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.runs import SurveyAnswer, TimingValue
from harness.commands.run import run_to_end
from harness.digits import quantity_text, uncertain_text
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import RunResult
from harness.plans.execution.survey_plan import survey_plan
from harness.plans.loading.files import load_fixture
from harness.results.reports.bus_verdict import MeasuredRow
from harness.results.summary.making import summary_of
from harness.results.timing import (
    TimingRow,
    not_measured,
    timing_lines,
    timing_rows,
    worst_first,
)
from harness.wire.budget.table import CAPACITANCE, RISE, Budget, Measured, compare

_MOST_ROWS = 12
"""Times on the screen; all are in the report."""


def survey(
    *, fixture: Path, into: Path | None, recall: tuple[str, ...], style: OutputStyle
) -> int:
    """Measure every time limit of line and devices; worst margin first."""
    loaded = load_fixture(fixture)
    request = RunRequest(
        plan=survey_plan(), fixture=loaded, into=into, guesses=guesses_named(recall)
    )
    done = run_to_end(request, style)
    rows = timing_rows(done.record)
    predicted = budget_of_fixture(loaded)
    verdict = bus_verdict(loaded, predicted, MeasuredRow.of(done.record))
    if style.json:
        print_json(_answer(done, rows, verdict))
        warn_left_on(done.record)
        return done.exit_code
    lines = [
        *verdict,
        *_comparison(predicted, rows),
        "",
        *timing_lines(rows, most=None if style.table else _MOST_ROWS),
        *not_measured(done.record),
    ]
    # the table of a survey is the one of its margins
    style = replace(style, table=False)
    show_run(done.record, done.folder, style, more=lines, devices=False)
    return done.exit_code


def _answer(done: RunResult, rows: list[TimingRow], verdict: list[str]) -> SurveyAnswer:
    judged = worst_first(rows)
    return SurveyAnswer(
        command="survey",
        exit_code=done.exit_code,
        results=str(done.folder),
        summary=summary_of(done.record),
        times=tuple(map(_time, [*judged, *(r for r in rows if r not in judged)])),
        bus_verdict=tuple(verdict),
    )


def _time(row: TimingRow) -> TimingValue:
    value = row.value
    return TimingValue(
        device=row.device,
        quantity=value.name,
        value=row.number,
        bound=str(value.bound or ""),
        uncertainty=value.uncertainty,
        unit=value.unit,
        low=value.low,
        high=value.high,
        margin=row.margin,
        margin_percent=None if row.margin is None else 100 * row.share,
    )


def _comparison(predicted: Budget, rows: list[TimingRow]) -> Iterator[str]:
    """Predicted beside measured, and a warning where uncertainty does not explain it."""
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
    found = compare(predicted, measured)
    for value, row in zip(values, found, strict=True):
        warning = (
            "  WARNING: they disagree; is the line as declared, is a cable damp or damaged?"
            if row.warns
            else ""
        )
        yield (
            f"{row.row.name}: predicted {uncertain_text(row.row.value, row.row.half_width)} "
            f"{row.row.unit}, measured {quantity_text(value)}{warning}"
        )
