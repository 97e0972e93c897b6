"""`slotproof report`: everything again, from the journal alone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.commands.base import app, example, make_console, show
from harness.output import say

EXIT_DAMAGED = 2


@app.command(
    epilog=example(
        "slotproof report results/20260301-081500-incoming/journal.jsonl",
        "slotproof report results/20260301-060000-shift",
    )
)
def report(
    journal: Annotated[
        Path,
        typer.Argument(
            metavar="JOURNAL|FOLDER",
            help="journal.jsonl of a run, its results folder, or the folder of a shift",
        ),
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
    """Rebuild the reports of a run, or the page of a shift, from journals alone.

    An interrupted run is marked as an error at the step in which it ended. The
    exit code is the run's own, or for a shift 0; 2 if a journal is damaged.
    """
    from harness.results.journal.writer import FILE_NAME  # noqa: PLC0415
    from harness.results.reports.rebuild import rebuild  # noqa: PLC0415
    from harness.station.shift.record import is_shift  # noqa: PLC0415

    if journal.is_dir() and not (journal / FILE_NAME).exists() and is_shift(journal):
        _shift(journal, into or journal)
        return
    if journal.is_dir():
        journal /= FILE_NAME
    record = rebuild(journal, into or journal.parent, case_properties=case_properties)
    show(record, make_console())
    for place in record.damage:
        say(f"slotproof: {place}: this line of the journal cannot be read", err=True)
    raise typer.Exit(EXIT_DAMAGED if record.damage else record.exit_code)


def _shift(folder: Path, into: Path) -> None:
    from harness.errors import UsageError  # noqa: PLC0415
    from harness.station.shift.page import write_shift_page  # noqa: PLC0415
    from harness.station.shift.record import read_shift  # noqa: PLC0415
    from harness.station.shift.tally import summary_lines  # noqa: PLC0415

    record = read_shift(folder)
    try:
        into.mkdir(parents=True, exist_ok=True)
        page = write_shift_page(record, into)
    except OSError as exc:
        raise UsageError(
            f"the page cannot be written: {exc.strerror}",
            where=str(into),
            hint="name a folder that you may write to",
        ) from exc
    for line in summary_lines(record.counts):
        say(line)
    say(f"page: {page}")
    for name, reason in record.unreadable:
        say(f"slotproof: {name}: {reason}", err=True)
    if record.unreadable:
        raise typer.Exit(EXIT_DAMAGED)
