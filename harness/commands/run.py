"""`slotproof run`, and what every command that runs a plan needs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.clock import Clock
from harness.commands.base import (
    make_console,
    show,
)
from harness.output import say
from harness.plans.execution.hazard_gate import parse_allowed
from harness.plans.execution.request import RunRequest, require_options
from harness.plans.execution.run import execute
from harness.plans.execution.runner import Listener
from harness.plans.loading.files import load_both
from harness.plans.loading.parameters import assignments
from harness.results.record.run import RunRecord
from harness.terminal import ConsoleOperator, ProgressView


def run(
    *,
    plan: Path,
    fixture: Path,
    set_: tuple[str, ...],
    allow: tuple[str, ...],
    into: Path | None,
    events: Path | None,
    resume: Path | None,
    case_properties: bool,
) -> int:
    """Run a test plan on a fixture; leaves junit.xml and journal.jsonl."""
    require_options(into=into, events=events, resume=resume)
    allowed = parse_allowed(allow)
    loaded_plan, loaded_fixture = load_both(plan, fixture, assignments(set_))
    request = RunRequest(
        plan=loaded_plan,
        fixture=loaded_fixture,
        into=into,
        allowed=allowed,
        events=events,
        resume=resume,
        case_properties=case_properties,
        command=_command(plan, fixture, set_, allow, events),
    )
    return run_and_show(request)


def _command(
    plan: Path,
    fixture: Path,
    set_: tuple[str, ...],
    allow: tuple[str, ...],
    events: Path | None,
) -> tuple[str, ...]:
    """The words of the command line without folder and journal."""
    words = ["slotproof", "run", str(plan), "--fixture", str(fixture)]
    for option, values in (("--set", set_), ("--allow", allow)):
        for value in values:
            words += [option, value]
    if events is not None:
        words += ["--events", str(events)]
    return tuple(words)


def run_and_show(
    request: RunRequest, after: Callable[[RunRecord], None] | None = None
) -> int:
    """Run a plan and print its verdicts; the exit code.

    Args:
        request: what to run.
        after: prints more of the record, below the verdicts.
    """
    console = make_console()
    operator = ConsoleOperator(console)

    @contextmanager
    def watch(clock: Clock) -> Iterator[Listener]:
        with ProgressView(console, clock) as view:
            operator.view = view
            yield view.hear

    done = execute(request, operator=operator, watch=watch, left_behind=_say_folder)
    show(done.record, console)
    if after is not None:
        after(done.record)
    _say_folder(done.folder)
    return done.exit_code


def _say_folder(folder: Path) -> None:
    say(f"results: {folder}")
