"""What a person sees on standard error while a run goes on, and how they answer.

On a terminal one line lives: which step of how many, what it does, how many checks
failed so far, its time and the time it should take. On anything else each step of the
plan leaves one whole line when it is over, whatever number of devices it was done on.
What failed and why stands in the summary at the end of the run.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from harness.clock import Clock
from harness.digits import duration_text
from harness.errors import UsageError
from harness.records import Outcome
from harness.results.soak.events import GAP, PROGRESS, RESUMED
from harness.results.wording import one_line

_MARKS = {
    Outcome.PASSED: "pass",
    Outcome.SKIPPED: "skip",
    Outcome.FAILED: "FAIL",
    Outcome.ERROR: "ERROR",
}
_BAD = {str(Outcome.FAILED), str(Outcome.ERROR)}
_BAR_CELLS = 12
_REDRAWS_PER_S = 8
_WIDEST_TITLE = 40
_NARROWEST_TITLE = 12


class ConsoleOperator:
    """The person at this terminal.

    Raises:
        UsageError: asked while no operator can answer.
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


@dataclass(slots=True)
class _StepSoFar:
    """One step of the plan over all devices and rounds."""

    title: str
    devices: dict[str, None] = field(default_factory=dict)
    outcomes: list[Outcome] = field(default_factory=list)
    checks: Counter[str] = field(default_factory=Counter)
    duration_s: float = 0.0

    @property
    def how_many(self) -> str:
        """Devices that it was done on, and how many checks went wrong."""
        count = len(self.devices)
        parts = [f"{count} {'device' if count == 1 else 'devices'}"] if count else []
        for word in sorted(_BAD & set(self.checks), reverse=True):
            parts.append(f"{self.checks[word]} {word}")
        return ", ".join(parts)


class ProgressView:
    """The steps of a run as they go by.

    Args:
        console: where to; standard error's.
        clock: the port's clock, which the expected times are in.
        quiet: True for nothing at all.
    """

    def __init__(self, console: Console, clock: Clock, *, quiet: bool = False) -> None:
        self._console = console
        self._quiet = quiet
        self._status = _Status(clock)
        self._live: Live | None = None
        if console.is_terminal and not console.is_dumb_terminal and not quiet:
            self._live = Live(
                console=console,
                get_renderable=self.live_line,
                refresh_per_second=_REDRAWS_PER_S,
                transient=True,
            )
        self._title_cells = 0
        self._steps: dict[str, _StepSoFar] = {}
        self._block = ""

    def __enter__(self) -> Self:
        self.resume()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._print_steps()
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
        self._title_cells = min(_WIDEST_TITLE, max(map(len, titles), default=0))
        self._status.take_steps([step["step"] for step in fields["steps"]])

    def _start(self, fields: dict[str, Any]) -> None:
        # steps of a block follow each other for every device: they are over together
        block = str(fields["step"]).split(".", maxsplit=1)[0]
        if block != self._block:
            self._print_steps()
            self._block = block
        self._status.take_start(fields)
        self._steps.setdefault(fields["step"], _StepSoFar(self._status.title))

    def _take(self, fields: dict[str, Any]) -> None:
        result = fields["result"]
        bad = result["outcome"] in _BAD
        self._status.take_check(bad=bad)
        step = self._steps.get(self._status.step)
        if step is not None:
            step.checks[result["outcome"]] += 1
            if device := result.get("device"):
                step.devices[str(device.get("rom_code"))] = None

    def _finish(self, fields: dict[str, Any]) -> None:
        step = self._steps.get(fields["step"])
        if step is not None:
            step.outcomes.append(Outcome(fields["outcome"]))
            step.duration_s += fields["duration_s"]
        self._status.take_end()

    def _print_steps(self) -> None:
        """The steps of the block that is over, one line each."""
        for number, step in self._steps.items():
            if step.outcomes:
                mark = _MARKS[Outcome.worst(step.outcomes)]
                title = step.title.ljust(self._title_cells)
                text = f"{mark:<6}{number:<5} {title}  {step.how_many}".rstrip()
                self._print(f"{text}  {duration_text(step.duration_s)}")
        self._steps = {}

    def _note(self, fields: dict[str, Any]) -> None:
        """What the adapter costs the run must be read before it runs; other notes can wait."""
        if fields.get("about") == "adapter":
            self._print(f"      note: {one_line(fields['text'])}", above=True)

    def _gap(self, fields: dict[str, Any]) -> None:
        gap = GAP.read(fields)
        self._print(
            f"      gap: {gap.reason} from {duration_text(gap.from_s)} "
            f"to {duration_text(gap.to_s)} of this step"
        )

    def _print(self, line: str, *, above: bool = False) -> None:
        """One whole line; on a terminal only what stays ``above`` the one that lives."""
        if self._quiet or (self._live is not None and not above):
            return
        self._console.print(Text(line), soft_wrap=self._live is None)


class _Status:
    """The step in hand, and the line that shows it."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._places: dict[str, int] = {}
        self._started_s = 0.0
        self._expected_s = 0.0
        self._cycle = 0
        self._probe = ""
        self._checks = 0
        self._bad = 0
        self._running = False
        self.step = ""
        self.title = ""
        self.device = ""

    def take_steps(self, steps: list[str]) -> None:
        """All steps of the plan, in order."""
        self._places = {step: place for place, step in enumerate(steps, 1)}

    def take_start(self, fields: dict[str, Any]) -> None:
        """A step begins."""
        self._running = True
        self.step = fields["step"]
        self.title = one_line(fields["title"])
        self.device = one_line(fields.get("device") or "")
        self._expected_s = fields["expected_s"]
        self._started_s = self._clock.now_s()
        self._cycle = self._checks = 0
        self._probe = ""

    def take_check(self, *, bad: bool) -> None:
        """A result came in."""
        self._checks += 1
        self._bad += bad

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
        self._running = False

    def _what(self) -> str:
        """Step and device in hand, and how far that is."""
        what = self.title + (f"  {self.device}" if self.device else "")
        if self._cycle:
            return f"{what}, cycle {self._cycle}"
        if self._probe:
            return f"{what}: {self._probe}"
        return f"{what}, {self._checks} checks" if self._checks > 1 else what

    def line(self, width: int) -> Text:
        """What is going on, no wider than the window.

        Where room is short the bar goes first, then the time expected, then the end of
        the title.
        """
        if not self._running:
            return Text("checking the adapter" if not self.title else "")
        elapsed_s = self._clock.now_s() - self._started_s
        head = f"step {self._places.get(self.step, 0)} of {len(self._places)}  "
        bad = f"{self._bad} not passed  " if self._bad else ""
        times = f"  {duration_text(elapsed_s)}"
        what = self._what()
        room = width - 1 - len(head) - len(bad) - len(times)
        expected = f" of about {duration_text(self._expected_s)}"
        if self._expected_s >= 1 and room - len(expected) >= _NARROWEST_TITLE:
            times, room = times + expected, room - len(expected)
        bar = Text()
        if self._expected_s >= 1 and room - len(what) >= _BAR_CELLS + 2:
            bar = _bar(min(1.0, elapsed_s / self._expected_s))
        what = what if len(what) <= room else what[: max(0, room - 3)] + "..."
        line = Text.assemble(
            (head, "bold"),
            (bad, "bold red"),
            what,
            bar,
            (times, "dim"),
            no_wrap=True,
        )
        line.truncate(max(1, width - 1), overflow="crop")
        return line


def _bar(share: float) -> Text:
    full = round(share * _BAR_CELLS)
    return Text.assemble(
        "  ", ("=" * full, "green"), ("-" * (_BAR_CELLS - full), "dim")
    )
