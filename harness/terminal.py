"""What a person at a terminal sees while a run goes on, and how they answer.

On a terminal, finished steps scroll by, one line each and never wider than the
window; below them one line lives: which step of how many, what it does, its time
and the time it should take. On anything else there are the finished steps alone, as
plain whole lines. Whatever did not pass tells why, and what to look at first.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.live import Live
from rich.padding import Padding
from rich.text import Text

from harness.clock import Clock
from harness.errors import UsageError
from harness.records import CheckResult, Outcome
from harness.results.reports.wording import one_line, value_row
from harness.results.soak.events import GAP, PROGRESS, RESUMED

_MARKS = {
    Outcome.PASSED: ("pass", "green"),
    Outcome.SKIPPED: ("skip", "yellow"),
    Outcome.FAILED: ("FAIL", "bold red"),
    Outcome.ERROR: ("ERROR", "bold magenta"),
}
_BAR_CELLS = 12
_REDRAWS_PER_S = 8
_WIDEST_TITLE = 40
_BESIDE_TITLE = 54
"""Cells for mark, step number, device, value and time."""


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
            return self._answer(f"{one_line(text)}{' [yes/no] ' if yes_no else ' '}")
        except EOFError as end:
            raise UsageError(
                "the operator's input ended before the answer",
                hint="answer at the terminal that runs the plan",
            ) from end
        finally:
            if self.view is not None:
                self.view.resume()

    def _answer(self, question: str) -> bool:
        if not question.endswith("[yes/no] "):
            self._console.input(f"{question}[press enter] ", markup=False)
            return True
        while True:
            answer = self._console.input(question, markup=False).strip().lower()
            if answer in {"y", "yes", "n", "no"}:
                return answer.startswith("y")


class ProgressView:
    """The steps of a run as they go by.

    Args:
        console: where to.
        clock: the port's clock, which the expected times are in.
    """

    def __init__(self, console: Console, clock: Clock) -> None:
        self._console = console
        self._status = _Status(clock)
        self._live: Live | None = None
        if console.is_terminal:
            self._live = Live(
                console=console,
                get_renderable=self.live_line,
                refresh_per_second=_REDRAWS_PER_S,
                transient=True,
            )
        self._title_cells = 0
        self._results: list[CheckResult] = []

    def __enter__(self) -> Self:
        self.resume()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.pause()

    def live_line(self) -> Text:
        """What is going on now, no wider than the window."""
        return self._status.line(self._console.width)

    def pause(self) -> None:
        """Take the live line away, for a prompt."""
        if self._live is not None:
            self._live.stop()

    def resume(self) -> None:
        """Put it back."""
        if self._live is not None:
            self._live.start()

    def hear(self, event: str, fields: dict[str, Any]) -> None:
        """Take one event of the run in."""
        take = {
            "run_started": self._begin,
            "run_resumed": self._begin,
            "step_started": self._start,
            "check_done": self._take,
            "step_done": self._finish,
            PROGRESS.name: self._status.take_cycle,
            RESUMED.name: self._status.take_stand,
            "probe_started": self._status.take_probe,
            GAP.name: self._gap,
            "note": self._note,
        }.get(event)
        if take is not None:
            take(fields)

    def _begin(self, fields: dict[str, Any]) -> None:
        titles = [one_line(step["title"]) for step in fields["steps"]]
        room = max(12, min(_WIDEST_TITLE, self._console.width - _BESIDE_TITLE))
        self._title_cells = min(
            room if self._live else _WIDEST_TITLE, max(map(len, titles), default=0)
        )
        self._status.take_steps([step["step"] for step in fields["steps"]])

    def _start(self, fields: dict[str, Any]) -> None:
        self._results = []
        self._status.take_start(fields)

    def _take(self, fields: dict[str, Any]) -> None:
        result = CheckResult.from_dict(fields["result"])
        self._status.checks += 1
        # a passed result only lends its value: a step of thousands keeps one
        if result.outcome is not Outcome.PASSED or not self._results:
            self._results.append(result)

    def _finish(self, fields: dict[str, Any]) -> None:
        outcome = Outcome(fields["outcome"])
        mark, style = _MARKS[outcome]
        title = self._fitted(self._status.title)
        line = Text(f"{mark:<6}", style=style)
        line.append(f"{fields['step']:<5} ", style="default")
        line.append(title, style="default")
        if self._status.device:
            line.append(f"  {self._status.device}", style="default")
        if value := self._value():
            line.append(f"  {value}", style="bold default")
        line.append(f"  {duration_text(fields['duration_s'])}", style="dim default")
        self._print(line)
        for remark in self._remarks():
            self._print_remark(remark)
        self._status.take_end()

    def _fitted(self, title: str) -> str:
        """The title in its column; on a terminal cut to it."""
        cells = self._title_cells
        if self._live is not None and len(title) > cells:
            return title[: cells - 3] + "..."
        return title.ljust(cells)

    def _value(self) -> str:
        """The first value of the bus, or of the only device."""
        for result in self._results[:1]:
            if result.device is not None and self._status.checks > 1:
                return ""
            for measurement in result.measurements[:1]:
                row = value_row(measurement)
                return row.value if row.unit == "-" else f"{row.value} {row.unit}"
        return ""

    def _remarks(self) -> Iterator[str]:
        for result in self._results:
            if result.outcome is Outcome.PASSED and not (
                result.retries or result.message
            ):
                continue
            where = ""
            if result.device is not None and result.device.label != self._status.device:
                where = f"{one_line(result.device.label)}: "
            yield from (f"{where}{text}" for text in _messages(result))
            if result.hint:
                yield f"first look: {one_line(result.hint)}"

    def _note(self, fields: dict[str, Any]) -> None:
        """What the adapter costs the run must be read before it runs; other notes can wait."""
        if fields.get("about") == "adapter":
            self._print_remark(f"note: {one_line(fields['text'])}")

    def _gap(self, fields: dict[str, Any]) -> None:
        gap = GAP.read(fields)
        self._print_remark(
            f"gap: {gap.reason} from {duration_text(gap.from_s)} "
            f"to {duration_text(gap.to_s)} of this step"
        )

    def _print(self, line: Text) -> None:
        """One line: whole in a file, cut to the window on a terminal."""
        if self._live is None:
            self._console.print(line, soft_wrap=True)
        else:
            self._console.print(line, no_wrap=True, overflow="ellipsis", crop=True)

    def _print_remark(self, remark: str) -> None:
        if self._live is None:
            self._console.print(Text(f"      {remark}"), soft_wrap=True)
        else:
            self._console.print(Padding(Text(remark), (0, 0, 0, 6)))


def _messages(result: CheckResult) -> Iterator[str]:
    """What a result says, with the tries that it took."""
    tries = len(result.retries)
    passed = result.outcome is Outcome.PASSED
    if passed and tries:
        first = one_line(result.retries[0].message)
        yield f"passed at try {tries + 1}, the first: {first}"
    if result.message:
        after = f" (after {tries + 1} tries)" if tries and not passed else ""
        yield f"{one_line(result.message)}{after}"


class _Status:
    """The step in hand, and the line that tells of it."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._places: dict[str, int] = {}
        self._step = ""
        self._started_s = 0.0
        self._expected_s = 0.0
        self._cycle = 0
        self._probe = ""
        self.title = ""
        self.device = ""
        self.checks = 0

    def take_steps(self, steps: list[str]) -> None:
        """All steps of the plan, in order."""
        self._places = {step: place for place, step in enumerate(steps, 1)}

    def take_start(self, fields: dict[str, Any]) -> None:
        """A step begins."""
        self._step = fields["step"]
        self.title = one_line(fields["title"])
        self.device = one_line(fields.get("device") or "")
        self._expected_s = fields["expected_s"]
        self._started_s = self._clock.now_s()
        self._cycle = self.checks = 0
        self._probe = ""

    def take_cycle(self, fields: dict[str, Any]) -> None:
        """A round of a soak is done."""
        self._cycle = PROGRESS.read(fields).cycle

    def take_stand(self, fields: dict[str, Any]) -> None:
        """A soak goes on from here: what lies behind counts."""
        resumed = RESUMED.read(fields)
        self._cycle = resumed.cycle
        self._started_s = self._clock.now_s() - resumed.elapsed_s

    def take_probe(self, fields: dict[str, Any]) -> None:
        """An examination goes on to its next probe."""
        self._probe = one_line(fields["name"])

    def take_end(self) -> None:
        """The step in hand is over."""
        self._step = ""

    def _what(self) -> str:
        """Step and device in hand, and how far that is."""
        what = self.title + (f"  {self.device}" if self.device else "")
        if self._cycle:
            return f"{what}, cycle {self._cycle}"
        if self._probe:
            return f"{what}: {self._probe}"
        return f"{what}, {self.checks} checks" if self.checks > 1 else what

    def line(self, width: int) -> Text:
        """What is going on, no wider than the window.

        Where room is short the bar goes first, then the end of the title.
        """
        if not self._step:
            return Text("checking the adapter" if not self.title else "")
        elapsed_s = self._clock.now_s() - self._started_s
        head = f"step {self._places.get(self._step, 0)} of {len(self._places)}  "
        times = f"  {duration_text(elapsed_s)}"
        if self._expected_s >= 1:
            times += f" of about {duration_text(self._expected_s)}"
        what = self._what()
        room = width - 1 - len(head) - len(times)
        bar = Text()
        if self._expected_s >= 1 and room - len(what) >= _BAR_CELLS + 2:
            bar = _bar(min(1.0, elapsed_s / self._expected_s))
        what = what if len(what) <= room else what[: max(0, room - 3)] + "..."
        return Text.assemble(
            (head, "bold"), what, bar, (times, "dim"), no_wrap=True, overflow="crop"
        )


def _bar(share: float) -> Text:
    full = round(share * _BAR_CELLS)
    return Text.assemble(
        "  ", ("=" * full, "green"), ("-" * (_BAR_CELLS - full), "dim")
    )


def duration_text(seconds: float) -> str:
    """A duration as people say it: ``18 ms``, ``4.2 s``, ``3 min 20 s``, ``7 h 59 min``."""
    if seconds < 1:
        return f"{seconds * 1e3:.0f} ms"
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest_s = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest_s} s"
    return f"{minutes // 60} h {minutes % 60} min"
