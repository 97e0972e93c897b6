"""`slotproof survey` and `budget`: the timing instrument, and what it should find."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import FixtureOption, IntoOption, app, example
from harness.commands.run import run_plan
from harness.output import say

if TYPE_CHECKING:
    from harness.plans.schema import Fixture
    from harness.results.record import RunRecord
    from harness.wire.budget import Budget


@app.command(epilog=example("slotproof survey --fixture fixtures/demo_bench.yaml"))
def survey(fixture: FixtureOption, *, into: IntoOption = None) -> None:
    """Measure every time limit of line and devices; worst margin first.

    Leaves junit.xml, journal.jsonl and a picture (survey.png, survey.svg).
    """
    from harness.plans.loading import load_fixture  # noqa: PLC0415
    from harness.plans.survey_plan import survey_plan  # noqa: PLC0415

    loaded = load_fixture(fixture)
    raise typer.Exit(
        run_plan(
            survey_plan(),
            loaded,
            into,
            allowed=frozenset(),
            case_properties=False,
            after=lambda record: _show_survey(loaded, record),
        )
    )


def _show_survey(fixture: Fixture, record: RunRecord) -> None:
    from harness.results.timing_rows import timing_lines, timing_rows  # noqa: PLC0415

    rows = timing_rows(record)
    say("")
    for line in timing_lines(rows):
        say(line)
    _show_comparison(fixture, record)


def _show_comparison(fixture: Fixture, record: RunRecord) -> None:
    """Predicted beside measured, with a warning where the doubts do not explain it."""
    from harness.wire.budget import CAPACITANCE, RISE, Measured, compare  # noqa: PLC0415

    names = {"rise_time": RISE, "capacitance": CAPACITANCE}
    measured = [
        Measured(
            name=names[value.name],
            value=float(value.value),
            half_width=value.uncertainty or 0.0,
        )
        for step in record.steps
        if step.kind == "measure"
        for result in step.results
        for value in result.shown.measurements
        if value.name in names
    ]
    if not measured:
        return
    say("")
    for row in compare(_budget(fixture), measured):
        warning = (
            "  WARNING: they disagree; is the line as declared, is a cable damp or damaged?"
            if row.warns
            else ""
        )
        say(
            f"{row.row.name}: predicted {row.row.value:.3g} {row.row.unit}, "
            f"measured {row.measured.value:.3g} +- {row.measured.half_width:.2g}{warning}"
        )


def _budget(fixture: Fixture, busy_at_once: int | None = None) -> Budget:
    from harness.plans.circuit_of import circuit_of  # noqa: PLC0415
    from harness.wire.budget import budget as budget_of  # noqa: PLC0415
    from harness.wire.clockgrid import GRIDS  # noqa: PLC0415
    from harness.wire.frames import choose_slots  # noqa: PLC0415

    kind = fixture.adapter.kind
    slots = choose_slots(GRIDS["unknown" if kind == "auto" else kind])
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

    Rise time, slot margins, levels, parasite power, strong pull-up, and how many
    devices and metres of cable keep the margins.
    """
    from harness.plans.loading import load_fixture  # noqa: PLC0415
    from harness.results.budget_lines import budget_lines  # noqa: PLC0415

    found = _budget(load_fixture(fixture), at_once)
    for line in budget_lines(found, formulas=formulas):
        say(line)
