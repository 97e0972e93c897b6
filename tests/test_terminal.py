"""What a person sees: one line a step, nothing wider than the window, prompts that work."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from rich.console import Console

from harness.digits import duration_text
from harness.errors import UsageError
from harness.terminal import ConsoleOperator, ProgressView

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

LONG = "configure resolution_bits, alarm_low_degc, alarm_high_degc"


class HandClock:
    """A clock that a test moves by hand."""

    def __init__(self) -> None:
        self.at_s = 1000.0

    def now_s(self) -> float:
        """The time set last."""
        return self.at_s

    def sleep(self, duration_s: float) -> None:
        """Move on."""
        self.at_s += duration_s

    def calendar(self) -> datetime:
        """A fixed date."""
        return datetime(2026, 1, 1, tzinfo=UTC)


class Screen:
    """A console of a given width that keeps what was written, and a view on it."""

    def __init__(
        self,
        *,
        width: int,
        terminal: bool = True,
        quiet: bool = False,
        term: str = "xterm",
    ) -> None:
        self.file = io.StringIO()
        self.console = Console(
            file=self.file,
            width=width,
            force_terminal=terminal,
            color_system=None,
            legacy_windows=False,
            highlight=False,
            _environ={"TERM": term},
        )
        self.clock = HandClock()
        self.view = ProgressView(self.console, self.clock, quiet=quiet)

    def begin(self, *titles: str) -> None:
        """Tell the view of a plan with these steps."""
        steps = [{"step": str(n), "title": t} for n, t in enumerate(titles, 1)]
        self.view.hear("run_started", {"steps": steps})

    def start(self, step: str, title: str, *, expected_s: float = 0.0, device: str = "") -> None:  # fmt: skip
        """Begin a step."""
        self.view.hear(
            "step_started",
            {
                "step": step,
                "title": title,
                "expected_s": expected_s,
                "device": device or None,
            },
        )

    def check(self, outcome: str, **more: Any) -> None:  # noqa: ANN401 - result fields
        """A result comes in."""
        self.view.hear("check_done", {"result": {"outcome": outcome, **more}})

    def done(self, step: str, outcome: str, duration_s: float = 0.018) -> None:
        """End a step."""
        self.view.hear(
            "step_done", {"step": step, "outcome": outcome, "duration_s": duration_s}
        )

    @property
    def lines(self) -> list[str]:
        """What was written so far."""
        return self.file.getvalue().splitlines()

    def live(self) -> str:
        """The line that lives, as it would be drawn now."""
        return self.view.live_line().plain


def a_read(screen: Screen, code: str = "3D0000A4B3C2D128") -> None:
    """One passed reading of a device."""
    screen.start("1", "read temperature", device=f"A1 {code}")
    value = {"name": "temperature", "value": 4.1875, "unit": "degC", "high": 6.0}
    device = {"rom_code": code, "family": 0x28}
    screen.check("passed", device=device, measurements=[value])
    screen.done("1", "passed")


def test_a_step_of_the_plan_is_one_line() -> None:
    """Without a terminal a step on two devices leaves one line, once it is over."""
    screen = Screen(width=100, terminal=False)
    screen.begin("read temperature", "reset")
    a_read(screen)
    a_read(screen, "620000A4B3C2E728")
    assert screen.lines == []
    screen.start("2", "reset")
    assert screen.lines == ["pass  1     read temperature  2 devices  36 ms"]


def test_what_did_not_pass_is_counted() -> None:
    """The line of a step says how many checks did not pass, the worst verdict first."""
    screen = Screen(width=100, terminal=False)
    screen.begin("verify")
    with screen.view:
        screen.start("1", "verify")
        for outcome in ("passed", "failed", "error"):
            device = {"rom_code": outcome, "family": 0x28}
            screen.check(outcome, device=device)
        screen.done("1", "error")
    assert screen.lines == ["ERROR 1     verify  3 devices, 1 failed, 1 error  18 ms"]


def test_a_block_is_over_together() -> None:
    """Steps done device by device come in the order of the plan, one line each."""
    screen = Screen(width=100, terminal=False)
    screen.begin("read a", "read b")
    with screen.view:
        for step in ("4.1", "4.2", "4.1", "4.2"):
            screen.start(step, f"read {step}")
            screen.check("passed")
            screen.done(step, "passed")
        assert screen.lines == []
    assert [line[:11] for line in screen.lines] == ["pass  4.1  ", "pass  4.2  "]


@pytest.mark.parametrize("width", [40, 60, 80, 160])
def test_one_line_lives_on_a_terminal(width: int) -> None:
    """At any width the live line fits, and no finished step stays on the screen."""
    screen = Screen(width=width)
    screen.begin("reset", LONG)
    for title in ("reset", LONG):
        screen.start("2", title, device="A1 3D0000A4B3C2D128", expected_s=40)
        screen.clock.sleep(12)
        assert len(screen.live()) <= width
        screen.check("failed")
        screen.done("2", "failed")
    screen.start("2", LONG)
    assert "2 not passed" in screen.live()
    assert len(screen.live()) <= width
    assert screen.lines == []


def test_quiet_says_nothing() -> None:
    """Asked to be quiet, it leaves no line, on a terminal or not."""
    for terminal in (True, False):
        screen = Screen(width=80, terminal=terminal, quiet=True)
        screen.begin("wait")
        with screen.view:
            screen.start("1", "wait")
            screen.done("1", "passed")
        assert screen.file.getvalue() == ""


def test_a_dumb_terminal_gets_lines() -> None:
    """Where nothing can be moved on the screen, steps are lines as in a file."""
    screen = Screen(width=80, term="dumb")
    screen.begin("reset")
    with screen.view:
        screen.start("1", "reset")
        screen.done("1", "passed")
    assert screen.lines == ["pass  1     reset  18 ms"]


def test_plain_lines_are_whole() -> None:
    """In a file or pipe a line is never cut or wrapped, and holds no control character."""
    screen = Screen(width=40, terminal=False)
    screen.begin(LONG)
    with screen.view:
        screen.start("1", LONG, device="A1 3D0000A4B3C2D128")
        screen.done("1", "failed", 1.5)
    assert screen.lines == [f"FAIL  1     {LONG}  1.5 s"]
    assert "\x1b" not in screen.file.getvalue()


def test_live_line_tells_step_and_times() -> None:
    """The live line tells which step of how many, elapsed and expected time, and a bar."""
    screen = Screen(width=100)
    screen.begin("reset", "soak temperature", "verify")
    screen.start("2", "soak temperature", expected_s=7200)
    screen.clock.sleep(3600)
    screen.view.hear("soak_progress", {"cycle": 60, "readings": {}})
    line = screen.live()
    assert line.startswith("step 2 of 3  soak temperature, cycle 60")
    assert line.endswith("1 h 0 min of about 2 h 0 min")
    assert line.count("=") == line.count("-") == 6


def test_the_bar_of_a_resumed_soak_starts_where_it_is() -> None:
    """Six of eight hours lie behind: bar and times say so at once."""
    screen = Screen(width=100)
    screen.begin("soak temperature")
    screen.start("1", "soak temperature", expected_s=28_800)
    screen.view.hear("soak_resumed", {"cycle": 360, "elapsed_s": 21_600.0})
    line = screen.live()
    assert "soak temperature, cycle 360" in line
    assert "=========---" in line
    assert line.endswith("6 h 0 min of about 8 h 0 min")


def test_live_line_tells_the_probe_of_an_examination() -> None:
    """Which probe is at work; forgotten when the next step begins."""
    screen = Screen(width=100)
    screen.begin("diagnose", "reset")
    screen.start("1", "diagnose")
    screen.view.hear("probe_started", {"name": "idle line", "did": "listened"})
    assert screen.live().startswith("step 1 of 2  diagnose: idle line  ")
    screen.done("1", "passed")
    screen.start("2", "reset")
    assert screen.live().startswith("step 2 of 2  reset  ")


def test_live_line_counts_checks() -> None:
    """A step on many devices tells how many it has done."""
    screen = Screen(width=100)
    screen.begin("verify")
    screen.start("1", "verify")
    for _ in range(5):
        screen.check("passed")
    assert "verify, 5 checks" in screen.live()


def test_hostile_text_does_not_reach_the_terminal() -> None:
    """Titles, devices and messages cannot send control characters or markup."""
    screen = Screen(width=100)
    nasty = "\x1b[2J[bold]x[/]"
    screen.begin(nasty)
    screen.start("1", nasty, device=nasty, expected_s=5)
    assert "\x1b" not in screen.live()
    file = Screen(width=100, terminal=False)
    file.begin(nasty)
    with file.view:
        file.start("1", nasty, device=nasty)
        file.done("1", "failed")
    text = file.file.getvalue()
    assert "\x1b" not in text
    assert text.count("[bold]x[/]") == 1


def test_a_gap_is_told() -> None:
    """A gap of the adapter stands among the lines, in times of its step."""
    screen = Screen(width=100, terminal=False)
    screen.begin("soak")
    fields = {"reason": "adapter away", "from_s": 61.0, "to_s": 121.5}
    screen.view.hear("gap", fields)
    assert "gap: adapter away from 1 min 1 s to 2 min 2 s" in screen.lines[0]


def test_live_line_goes_away_at_the_end() -> None:
    """When the view ends, nothing of the live line stays on the screen."""
    screen = Screen(width=80)
    screen.begin("wait")
    with screen.view:
        screen.start("1", "wait", expected_s=3)
    text = screen.file.getvalue()
    assert text.endswith(("\x1b[2K", "\x1b[?25h"))


class FakeInput(io.StringIO):
    """Standard input of a terminal, with what the person types."""

    def isatty(self) -> bool:
        """True: somebody is there."""
        return True


@pytest.mark.parametrize(
    ("typed", "answer"),
    [("yes\n", True), ("N\n", False), ("maybe\n\nn\n", False), ("y\n", True)],
)
def test_yes_or_no(
    monkeypatch: pytest.MonkeyPatch, typed: str, *, answer: bool
) -> None:
    """A question is asked again until the answer is yes or no."""
    monkeypatch.setattr("sys.stdin", FakeInput(typed))
    screen = Screen(width=80)
    operator = ConsoleOperator(screen.console)
    assert operator.ask("Is the lid [shut]?", yes_no=True) is answer
    assert "Is the lid [shut]? [yes/no]" in screen.file.getvalue()


def test_enter_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Enter is enough where no answer is asked for."""
    monkeypatch.setattr("sys.stdin", FakeInput("\n"))
    screen = Screen(width=80)
    assert ConsoleOperator(screen.console).ask("Close the lid", yes_no=False)
    assert "Close the lid [press enter]" in screen.file.getvalue()


def test_prompt_takes_the_live_line_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the operator is asked, the live line does not write over the question."""
    monkeypatch.setattr("sys.stdin", FakeInput("y\n"))
    screen = Screen(width=80)
    operator = ConsoleOperator(screen.console)
    operator.view = screen.view
    screen.begin("prompt")
    with screen.view:
        screen.start("1", "prompt")
        operator.ask("Ready?", yes_no=True)
        after = screen.file.getvalue().split("Ready? [yes/no] ")[1]
    assert "Ready?" not in after


@pytest.mark.parametrize("stdin", [io.StringIO("y\n"), FakeInput("")])
def test_nobody_to_ask(monkeypatch: pytest.MonkeyPatch, stdin: io.StringIO) -> None:
    """Without a terminal, or with its input at an end, a question is a usage error."""
    monkeypatch.setattr("sys.stdin", stdin)
    with pytest.raises(UsageError) as caught:
        ConsoleOperator(Screen(width=80).console).ask("Ready?", yes_no=True)
    assert "terminal" in str(caught.value)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0183, "18 ms"),
        (4.26, "4.3 s"),
        (59.96, "1 min 0 s"),
        (200, "3 min 20 s"),
        (28_740, "7 h 59 min"),
    ],
)
def test_durations_as_people_say_them(seconds: float, text: str) -> None:
    """Each size of duration has the units that suit it."""
    assert duration_text(seconds) == text
