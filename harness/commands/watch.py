"""`slotproof watch`: a live page of a run, for the night."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.commands.base import app, example
from harness.output import say


@app.command(
    epilog=example(
        "slotproof watch results/20260301-200000-overnight_soak/journal.jsonl"
    )
)
def watch(
    journal: Annotated[
        Path, typer.Argument(metavar="JOURNAL", help="journal.jsonl of a run going on")
    ],
    *,
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="address to listen on; anything but the loopback shows the page to others",
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(metavar="PORT", min=0, max=65_535, help="0 picks a free one")
    ] = 0,
) -> None:
    """Serve a live page of a run from its journal, until Ctrl-C."""
    from harness.results.reports.watch import serve  # noqa: PLC0415

    serve(journal, host=host, port=port, announce=say)
