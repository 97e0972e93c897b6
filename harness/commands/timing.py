"""`slotproof survey` and `budget`: the timing instrument, and what it should find."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import FixtureOption, IntoOption, app, example
from harness.commands.run import run_and_show
from harness.output import say

if TYPE_CHECKING:
    from harness.plans.schema.files import Fixture
    from harness.results.record.run import RunRecord
    from harness.results.reports.bus_verdict import MeasuredRow
    from harness.results.reports.timing import TimingRow
    from harness.wire.budget.table import Budget


@app.command(epilog=example("slotproof survey --fixture fixtures/demo_bench.yaml"))
def survey(fixture: FixtureOption, *, into: IntoOption = None) -> None:
    """Measure every time limit of line and devices; worst margin first.

    Leaves junit.xml, journal.jsonl and a picture (survey.png, survey.svg).
    """
    from harness.plans.execution.request import RunRequest  # noqa: PLC0415
    from harness.plans.execution.survey_plan import survey_plan  # noqa: PLC0415
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415

    loaded = load_fixture(fixture)
    raise typer.Exit(
        run_and_show(
            RunRequest(plan=survey_plan(), fixture=loaded, into=into),
            after=lambda record: _show_survey(loaded, record),
        )
    )


def _show_survey(fixture: Fixture, record: RunRecord) -> None:
    from harness.results.reports.timing import (  # noqa: PLC0415
        not_measured,
        timing_lines,
        timing_rows,
    )

    rows = timing_rows(record)
    say("")
    for line in [*timing_lines(rows), *not_measured(record)]:
        say(line)
    predicted = _budget(fixture)
    _show_comparison(predicted, rows)
    from harness.results.reports.bus_verdict import MeasuredRow  # noqa: PLC0415

    say("")
    _show_verdict(fixture, predicted, MeasuredRow.of(record))


def _show_comparison(predicted: Budget, rows: list[TimingRow]) -> None:
    """Predicted beside measured, with a warning where the doubts do not explain it."""
    from harness.digits import quantity_text, uncertain_text  # noqa: PLC0415
    from harness.wire.budget.table import CAPACITANCE, RISE, Measured, compare  # noqa: PLC0415

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


def _show_verdict(
    fixture: Fixture, found: Budget, measured: MeasuredRow | None = None
) -> None:
    from harness.plans.execution.fixture_circuit import grid_of  # noqa: PLC0415
    from harness.results.reports.bus_verdict import verdict_lines  # noqa: PLC0415
    from harness.wire.budget.remedy import Remedies, holds, remedies  # noqa: PLC0415

    cures = (
        Remedies()
        if holds(found)
        else remedies(found.circuit, grid_of(fixture), found.slots)
    )
    for line in verdict_lines(found, cures, measured):
        say(line)


def _budget(fixture: Fixture, busy_at_once: int | None = None) -> Budget:
    from harness.plans.execution.fixture_circuit import circuit_of, grid_of, slots_of  # noqa: PLC0415
    from harness.wire.budget.table import budget as budget_of  # noqa: PLC0415

    slots = slots_of(fixture, grid_of(fixture))
    return budget_of(circuit_of(fixture, busy_at_once=busy_at_once), slots)


@app.command(epilog=example("slotproof budget --fixture fixtures/demo_bench.yaml"))
def budget(
    fixture: FixtureOption,
    *,
    at_once: Annotated[
        int | None,
        typer.Option(
            "--at-once",
            metavar="N",
            min=1,
            help="parasite-fed devices that convert or copy together; default is all",
        ),
    ] = None,
    formulas: Annotated[
        bool, typer.Option("--formulas", help="also print each formula and its source")
    ] = False,
) -> None:
    """Compute what the line of a fixture can bear, without touching a port.

    Rise time, slot margins, levels, parasite power, strong pull-up, how many devices
    and metres of cable keep the margins, and where a limit is violated what would help:
    slower slots, another pull-up, a split of the bus. Exit code 1 if one is violated.
    """
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415
    from harness.results.reports.budget import budget_lines  # noqa: PLC0415
    from harness.wire.budget.remedy import holds  # noqa: PLC0415

    loaded = load_fixture(fixture)
    found = _budget(loaded, at_once)
    for line in budget_lines(found, formulas=formulas):
        say(line)
    _show_verdict(loaded, found)
    if not holds(found):
        raise typer.Exit(1)
