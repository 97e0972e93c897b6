"""What several commands share: consoles, and a run's answer in each style."""

from __future__ import annotations

import importlib
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import BaseModel
from rich.console import Console
from rich.text import Text

from harness.commands.declared.style import OutputStyle
from harness.output import say
from harness.results.plots.run import shmoo_lines
from harness.results.record.run import MAY_BE_ON, RunRecord
from harness.results.reports.table import plain_lines, verdict_table
from harness.results.summary.lines import (
    SCRIPTED_END,
    SIMULATED,
    SIMULATED_END,
    ScreenLine,
    summary_lines,
    verdict_line,
)
from harness.results.summary.making import summary_of
from harness.safe_text import safe_output

if TYPE_CHECKING:
    from harness.plans.records.guesses import Guesses

_STYLES = {
    "passed": "green",
    "skipped": "yellow",
    "failed": "bold red",
    "error": "bold magenta",
}


def make_console(*, error: bool = False) -> Console:
    """A console of ours: no guessing at numbers and paths."""
    return Console(stderr=error, highlight=False, soft_wrap=error)


def guesses_named(sources: Iterable[str]) -> Guesses | None:
    """What ``--recall`` named; None if it named nothing.

    Raises:
        UsageError: see ``harness.plans.records.recalled``.
    """
    named = tuple(sources)
    if not named:
        return None
    # reads ledgers, whose library takes long to load
    recalled = importlib.import_module("harness.plans.records.recalled")
    found: Guesses = recalled.guesses_of(named)
    return found


def print_lines(lines: Iterable[ScreenLine], *, error: bool = False) -> None:
    """Lines of a screen: folded in a window, whole in a file or pipe.

    Args:
        lines: the lines.
        error: on standard error instead of standard output.
    """
    console = make_console(error=error)
    # the console takes every dumb terminal for one of 80 columns
    columns = shutil.get_terminal_size((console.width, 25)).columns
    width = columns if console.is_terminal else None
    for line in lines:
        for text in line.fitted(width):
            shown = Text(text)
            if line.verdict:
                for word in (line.verdict, line.verdict.upper()):
                    shown.highlight_words([word], _STYLES[line.verdict])
            console.print(shown, soft_wrap=True)


def print_texts(lines: Iterable[str]) -> None:
    """Texts as lines of a screen: folded in a window, whole in a file or pipe."""
    print_lines(ScreenLine(safe_output(line)) for line in lines)


def print_json(answer: BaseModel) -> None:
    """The one JSON object of a command; a number that is none is null."""
    say(answer.model_dump_json(indent=2))


def show_run(
    record: RunRecord,
    folder: Path | None,
    style: OutputStyle,
    *,
    more: Iterable[str] = (),
    failures: bool = True,
    devices: bool = True,
) -> None:
    """The end of a run on standard output, but for JSON.

    Args:
        record: the run.
        folder: its results; None if nothing is left behind.
        style: in full, quiet, or with the table.
        more: lines between the summary and the folder.
        failures: False where ``more`` shows what failed.
        devices: False where ``more`` shows them.
    """
    summary = summary_of(record)
    if style.table and not style.quiet:
        _show_table(record)
    if style.quiet:
        print_lines([verdict_line(summary)])
    else:
        print_lines(summary_lines(summary, failures=failures, devices=devices))
        print_texts(more)
    scripted = bool(record.fixture.details.get("scripted"))
    show_results(folder, style, simulated=summary.simulated, scripted=scripted)
    print_texts(left_on(record))


def left_on(record: RunRecord) -> Iterator[str]:
    """The last line of all, where an instrument could not be brought to rest."""
    for _, result in record.results:
        if result.shown.kind == MAY_BE_ON:
            yield result.shown.message


def warn_left_on(record: RunRecord) -> None:
    """The same on standard error, where standard output holds JSON alone."""
    print_lines((ScreenLine(safe_output(line)) for line in left_on(record)), error=True)


def show_results(
    folder: Path | None,
    style: OutputStyle,
    *,
    simulated: bool,
    scripted: bool = False,
) -> None:
    """The last lines of a screen: the folder, and whether the bench was simulated.

    Args:
        folder: where the results are; None if nothing is left behind.
        style: quiet takes one line for both.
        simulated: true if readings come from a simulated bench.
        scripted: true if a device on it is played by a script.
    """
    if folder is not None:
        mark = f"{SIMULATED}, " if simulated and style.quiet else ""
        say(f"{mark}results: {folder}")
    if simulated and not style.quiet:
        print_texts([SIMULATED_END])
    if scripted and not style.quiet:
        print_texts([SCRIPTED_END])


def _show_table(record: RunRecord) -> None:
    """Every value: a table on a terminal, plain lines elsewhere."""
    console = make_console()
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
    say("")
