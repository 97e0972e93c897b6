"""`slotproof report`: everything again, from the journal alone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.commands.base import app, example, make_console, show


@app.command(
    epilog=example("slotproof report results/20260301-081500-incoming/journal.jsonl")
)
def report(
    journal: Annotated[
        Path, typer.Argument(metavar="JOURNAL", help="journal.jsonl of a run")
    ],
    into: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="folder for the reports; default is the journal's own",
        ),
    ] = None,
    case_properties: Annotated[
        bool,
        typer.Option(
            "--case-properties", help="also write values as properties of each case"
        ),
    ] = False,
) -> None:
    """Rebuild the reports of a run from its journal alone.

    An interrupted run is marked as an error at the step in which it ended. The
    exit code is the run's own.
    """
    from harness.results.report import rebuild  # noqa: PLC0415

    record = rebuild(journal, into or journal.parent, case_properties=case_properties)
    show(record, make_console())
    raise typer.Exit(record.exit_code)
