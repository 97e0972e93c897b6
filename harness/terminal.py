"""What a person at a terminal sees while a run goes on, and how they answer."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)

from harness.errors import UsageError
from harness.records import Outcome
from harness.results.wording import one_line

_MARKS = {
    Outcome.PASSED: "[green]pass[/]",
    Outcome.SKIPPED: "[yellow]skip[/]",
    Outcome.FAILED: "[bold red]FAIL[/]",
    Outcome.ERROR: "[bold magenta]ERROR[/]",
}


class ConsoleOperator:
    """The person at this terminal.

    Raises:
        UsageError: asked while nobody can answer.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self.view: ProgressView | None = None

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Show a text and wait for enter, or for yes or no."""
        if not sys.stdin.isatty():
            raise UsageError(
                "the plan asks the operator, and nobody is at the terminal",
                hint="run it in a terminal, or take the prompt step out",
            )
        if self.view is not None:
            self.view.pause()
        try:
            while True:
                ending = " [yes/no] " if yes_no else " [enter] "
                answer = self._console.input(f"{one_line(text)}{ending}", markup=False)
                if not yes_no:
                    return True
                if answer.strip().lower() in {"y", "yes", "n", "no"}:
                    return answer.strip().lower().startswith("y")
        except EOFError as end:
            raise UsageError("the operator's input ended before the answer") from end
        finally:
            if self.view is not None:
                self.view.resume()


class ProgressView:
    """One line a finished step, and below it the step in hand with its time.

    On anything but a terminal the finished steps are plain lines.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = console.is_terminal
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=20),
            TimeElapsedColumn(),
            TextColumn("of about {task.fields[expected]}"),
            console=console,
            transient=True,
        )
        self._task: TaskID | None = None
        self._titles: dict[str, str] = {}

    def __enter__(self) -> Self:
        if self._live:
            self._progress.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._live:
            self._progress.stop()

    def pause(self) -> None:
        """Take the live line away, for a prompt."""
        if self._live:
            self._progress.stop()

    def resume(self) -> None:
        """Put it back."""
        if self._live:
            self._progress.start()

    def hear(self, event: str, fields: dict[str, Any]) -> None:
        """Take one event of the run in."""
        if event == "step_started":
            self._start(fields)
        elif event == "check_done":
            self._advance(fields)
        elif event == "step_done":
            self._finish(fields)
        elif event == "soak_progress" and self._task is not None:
            self._progress.update(
                self._task, description=f"soak, cycle {fields['cycle']}"
            )
        elif event == "gap":
            self._console.print(
                f"  gap: {fields['reason']} from {fields['from_s']} to {fields['to_s']} s",
                markup=False,
            )

    def _label(self, fields: dict[str, Any]) -> str:
        device = f" [{fields['device']}]" if fields.get("device") else ""
        return f"{fields['step']:<5} {fields['title']}{device}"

    def _start(self, fields: dict[str, Any]) -> None:
        label = self._label(fields)
        self._titles[fields["step"]] = label
        if not self._live:
            return
        if self._task is not None:
            self._progress.remove_task(self._task)
        self._task = self._progress.add_task(
            label.replace("[", r"\["), total=None, expected=_time(fields["expected_s"])
        )

    def _advance(self, fields: dict[str, Any]) -> None:
        if self._task is not None:
            self._progress.advance(self._task)

    def _finish(self, fields: dict[str, Any]) -> None:
        outcome = Outcome(fields["outcome"])
        label = self._titles.get(fields["step"], fields["step"]).replace("[", r"\[")
        self._console.print(
            f"{_MARKS[outcome]:<4} {label}  {_time(fields['duration_s'])}",
            highlight=False,
        )


def _time(seconds: float) -> str:
    """A duration as people say it."""
    if seconds < 1:
        return f"{seconds * 1e3:.0f} ms"
    if seconds < 120:
        return f"{seconds:.1f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
