"""`slotproof run`, and what every command that runs a plan needs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import (
    FixtureOption,
    IntoOption,
    app,
    example,
    make_console,
    show,
)
from harness.output import say

if TYPE_CHECKING:
    from harness.clock import Clock
    from harness.plans.execution.request import RunRequest
    from harness.plans.execution.runner import Listener
    from harness.results.record.run import RunRecord


@app.command(
    epilog=example(
        "slotproof run test_plans/incoming_thermometers.yaml \\",
        "    --fixture fixtures/demo_bench.yaml --set high_degc=7",
    )
)
def run(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="test plan (YAML)")],
    fixture: FixtureOption,
    *,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="parameter of the plan; repeatable",
        ),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HAZARD",
            help="hazard that the plan names and you allow, such as memory-wear; "
            "repeatable (`slotproof check PLAN` lists them)",
        ),
    ] = None,
    into: IntoOption = None,
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="what happens besides while a soak runs, one line time,text each "
            "(relays, doors, notes); read as it grows",
        ),
    ] = None,
    resume: Annotated[
        Path | None,
        typer.Option(
            metavar="JOURNAL",
            help="journal of a run that was cut: it goes on there, a soak from its last "
            "counted round",
        ),
    ] = None,
    case_properties: Annotated[
        bool,
        typer.Option(
            "--case-properties",
            help="also write measured values as properties of each JUnit case "
            "(readers that insist on the strict schema refuse that)",
        ),
    ] = False,
) -> None:
    """Run a test plan on a fixture; leaves junit.xml and journal.jsonl."""
    from harness.plans.execution.hazard_gate import parse_allowed  # noqa: PLC0415
    from harness.plans.execution.request import RunRequest, require_options  # noqa: PLC0415
    from harness.plans.loading.files import load_both  # noqa: PLC0415
    from harness.plans.loading.parameters import assignments  # noqa: PLC0415

    require_options(into=into, events=events, resume=resume)
    allowed = parse_allowed(allow or [])
    loaded_plan, loaded_fixture = load_both(plan, fixture, assignments(set_ or []))
    request = RunRequest(
        plan=loaded_plan,
        fixture=loaded_fixture,
        into=into,
        allowed=allowed,
        events=events,
        resume=resume,
        case_properties=case_properties,
        command=_command(plan, fixture, set_ or [], allow or [], events),
    )
    raise typer.Exit(run_and_show(request))


def _command(
    plan: Path,
    fixture: Path,
    set_: list[str],
    allow: list[str],
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
    from harness.plans.execution.run import execute  # noqa: PLC0415
    from harness.terminal import ConsoleOperator, ProgressView  # noqa: PLC0415

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
