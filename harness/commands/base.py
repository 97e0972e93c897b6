"""What several commands share: consoles, and a record as text."""

from __future__ import annotations

from rich.console import Console

from harness.output import say
from harness.results.plots.run import shmoo_lines
from harness.results.record.run import RunRecord
from harness.results.reports.table import plain_lines, verdict_table


def make_console(*, error: bool = False) -> Console:
    """A console of ours: no guessing at numbers and paths."""
    return Console(stderr=error, highlight=False, soft_wrap=error)


def show(record: RunRecord, console: Console) -> None:
    """The verdicts: a table on a terminal, plain lines elsewhere."""
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
