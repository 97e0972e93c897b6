"""The command line: gathers the commands, turns our errors into messages.

Exit codes: 0 passed, 1 something failed, 2 bad command line or files, 3 the
harness or adapter could not tell, 130 ended by Ctrl-C.
"""

from __future__ import annotations

import sys
from typing import NoReturn

import typer

from harness.commands import (
    benches,
    diagnose,
    files,
    lot_charts,
    lot_gauges,
    lot_samples,
    lots,
    reports,
    run,
    station,
    timing,
    units,
    watch,
)
from harness.commands.base import app
from harness.errors import AdapterError, SlotproofError

EXIT_USAGE = 2
EXIT_COULD_NOT_TELL = 3
EXIT_INTERRUPTED = 130

_MOST_MISTAKES = 30
"""Mistakes told in one go; a file with more is no file for slotproof at all."""

COMMANDS = (
    run,
    files,
    timing,
    diagnose,
    benches,
    reports,
    watch,
    lots,
    lot_samples,
    lot_charts,
    lot_gauges,
    station,
    units,
)
"""Importing a module registers its commands; help lists them in this order."""


def _fail(error: SlotproofError) -> int:
    from harness.plans.loading_problems import PlanError  # noqa: PLC0415

    lines = (
        [str(problem) for problem in error.problems]
        if isinstance(error, PlanError)
        else [str(error)]
    )
    for line in lines[:_MOST_MISTAKES]:
        typer.echo(f"slotproof: {line}", err=True)
    if len(lines) > _MOST_MISTAKES:
        more = len(lines) - _MOST_MISTAKES
        typer.echo(f"slotproof: and {more} more mistakes like these", err=True)
    return EXIT_COULD_NOT_TELL if isinstance(error, AdapterError) else EXIT_USAGE


def main() -> NoReturn:
    """Entry point; every error of ours becomes a message and an exit code."""
    try:
        app()
        code = 0
    except SlotproofError as error:
        code = _fail(error)
    except KeyboardInterrupt:
        typer.echo("slotproof: ended by the operator", err=True)
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader of our output is gone; nothing more can be said to it
        code = 1
    sys.exit(code)
