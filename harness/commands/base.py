"""What all commands share: the application, options, messages of ours as exit codes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.output import say

if TYPE_CHECKING:
    from rich.console import Console

    from harness.results.record.run import RunRecord

app = typer.Typer(
    name="slotproof",
    help="Prove single-wire devices and buses with a plain USB-to-serial adapter.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

FixtureOption = Annotated[
    Path,
    typer.Option(
        "--fixture",
        "-f",
        metavar="FILE",
        help="fixture file (YAML): adapter, line, sockets",
    ),
]

IntoOption = Annotated[
    Path | None,
    typer.Option(
        metavar="FOLDER",
        help="results folder; default is a fresh one under ./results",
    ),
]


def example(*commands: str) -> str:
    """The end of a command's help; the mark in front keeps its lines as they are."""
    return "\n".join(["\b", "Example:", *(f"  {command}" for command in commands)])


def make_console(*, error: bool = False) -> Console:
    """A console of ours: no guessing at numbers and paths."""
    from rich.console import Console  # noqa: PLC0415

    return Console(stderr=error, highlight=False, soft_wrap=error)


def show(record: RunRecord, console: Console) -> None:
    """The verdicts: a table on a terminal, plain lines elsewhere."""
    from harness.results.plots.run import shmoo_lines  # noqa: PLC0415
    from harness.results.reports.table import (  # noqa: PLC0415
        plain_lines,
        verdict_table,
    )

    if console.is_terminal:
        console.print(verdict_table(record))
    else:
        for line in plain_lines(record):
            say(line)
    for _, result in record.results:
        if lines := shmoo_lines(result):
            say("")
            for line in lines:
                say(line)
