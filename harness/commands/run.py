"""`slotproof run`, and what every command that runs a plan needs."""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness import ending
from harness.commands.base import (
    FixtureOption,
    IntoOption,
    app,
    example,
    make_console,
    show,
)
from harness.errors import AdapterError, SlotproofError, UsageError
from harness.output import say

if TYPE_CHECKING:
    from harness.families.hazard import Hazard
    from harness.plans.schema.files import Fixture, Plan
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
    if resume is not None and into is not None:
        raise UsageError(
            "--resume goes on in the journal's own folder", hint="leave --into out"
        )
    if events is not None and not events.is_file():
        raise UsageError(
            "there is no such event file",
            where=str(events),
            hint="make it, empty if need be, before the run",
        )
    from harness.plans.execution.hazard_gate import parse_allowed, require_allowed  # noqa: PLC0415
    from harness.plans.loading.files import check_together, load_fixture, load_plan  # noqa: PLC0415
    from harness.plans.loading.problems import PlanError  # noqa: PLC0415

    allowed = parse_allowed(allow or [])
    loaded_plan, loaded_fixture = _load_both(
        lambda: load_plan(plan, parameters(set_ or [])),
        lambda: load_fixture(fixture),
    )
    problems = check_together(loaded_plan, loaded_fixture)
    if problems:
        raise PlanError(problems)
    # before the port is opened: nothing is sent for a plan that must not run
    require_allowed(loaded_plan, loaded_fixture, allowed)
    raise typer.Exit(
        run_plan(
            loaded_plan,
            loaded_fixture,
            into,
            allowed=allowed,
            case_properties=case_properties,
            events=events,
            resume=resume,
            command=_command(plan, fixture, set_ or [], allow or [], events),
        )
    )


def _command(
    plan: Path,
    fixture: Path,
    set_: list[str],
    allow: list[str],
    events: Path | None,
) -> list[str]:
    """The words of the command line without folder and journal."""
    words = ["slotproof", "run", str(plan), "--fixture", str(fixture)]
    for option, values in (("--set", set_), ("--allow", allow)):
        for value in values:
            words += [option, value]
    return [*words, "--events", str(events)] if events is not None else words


def _load_both(*loads: Any) -> list[Any]:  # noqa: ANN401 - a plan and a fixture
    """Load each; the mistakes of all of them in one error."""
    from harness.plans.loading.problems import PlanError, Problem  # noqa: PLC0415

    loaded: list[Any] = []
    problems: list[Problem] = []
    for load in loads:
        try:
            loaded.append(load())
        except PlanError as error:
            problems += error.problems
    if problems:
        raise PlanError(problems)
    return loaded


def parameters(assignments: list[str]) -> dict[str, str]:
    """Name and value of each ``--set``.

    Raises:
        UsageError: one that is no assignment.
    """
    values = {}
    for assignment in assignments:
        name, sign, value = assignment.partition("=")
        if not sign or not name:
            raise UsageError(
                f"--set takes name=value, got {assignment!r}",
                hint="for example --set high_degc=6.5",
            )
        values[name] = value
    return values


def _fresh_folder(plan: Plan) -> Path:
    from harness.clock import SystemClock  # noqa: PLC0415
    from harness.results.reports.junit import slug  # noqa: PLC0415

    stamp = SystemClock().calendar().strftime("%Y%m%d-%H%M%S")
    base = Path("results") / f"{stamp}-{slug(plan.title)}"
    folder, number = base, 1
    while folder.exists():
        number += 1
        folder = base.with_name(f"{base.name}-{number}")
    return folder


def run_plan(
    plan: Plan,
    fixture: Fixture,
    into: Path | None,
    *,
    allowed: frozenset[Hazard],
    case_properties: bool,
    after: Callable[[RunRecord], None] | None = None,
    events: Path | None = None,
    resume: Path | None = None,
    command: Sequence[str] = (),
) -> int:
    """Run a plan and show its verdicts; the exit code.

    Args:
        plan: what to do.
        fixture: on what.
        into: results folder, or None for a fresh one.
        allowed: hazards that the command line allows.
        case_properties: see ``junit.write_junit``.
        after: shows more of the record, below the verdicts.
        events: file of what happens besides, for soaks.
        resume: journal of a run to take up, or None.
        command: words of the command line that began it, for the hint after a cut.
    """
    from harness.plans.execution.connection import connect  # noqa: PLC0415
    from harness.plans.execution.resume import read_resumption  # noqa: PLC0415
    from harness.plans.execution.runner import Runner  # noqa: PLC0415
    from harness.results.journal.writer import Journal  # noqa: PLC0415
    from harness.results.reports.rebuild import rebuild  # noqa: PLC0415
    from harness.terminal import ConsoleOperator, ProgressView  # noqa: PLC0415

    console = make_console()
    operator = ConsoleOperator(console)
    resumed = read_resumption(resume, plan, fixture) if resume else None
    folder = resume.parent if resume else into or _fresh_folder(plan)
    left = _Left(plan, fixture, folder, allowed, case_properties=case_properties)
    left.journal = resume
    with left, ending.interruptible(), connect(fixture) as bus, ExitStack() as unbegun:
        # a request to end waits for the journal's first line
        unbegun.enter_context(ending.held())
        with (
            resumed.open_journal(bus.clock)
            if resumed
            else Journal.create(folder, bus.clock)
        ) as journal:
            left.journal = journal.path
            view = ProgressView(console, bus.clock)
            operator.view = view

            def hear(event: str, fields: dict[str, Any]) -> None:
                view.hear(event, fields)
                unbegun.close()

            runner = Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=operator,
                listener=hear,
                allowed=allowed,
                events=events,
                resumed=resumed,
                go_on=_go_on(command, journal.path),
            )
            with view:
                code = runner.run()
    with ending.held():
        record = rebuild(journal.path, folder, case_properties=case_properties)
        ending.leave_with(code)
    show(record, console)
    if after is not None:
        after(record)
    say(f"results: {folder}")
    return code


def _go_on(command: Sequence[str], journal: Path) -> str:
    """The command that takes the run up again, as it is typed; empty of nothing."""
    if not command:
        return ""
    words = [*command, "--resume", str(journal)]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


class _Left:
    """Leaves reports behind a run that an error ended; the error goes on."""

    def __init__(
        self,
        plan: Plan,
        fixture: Fixture,
        folder: Path,
        allowed: frozenset[Hazard],
        *,
        case_properties: bool,
    ) -> None:
        self._plan = plan
        self._fixture = fixture
        self._folder = folder
        self._allowed = allowed
        self._case_properties = case_properties
        self.journal: Path | None = None

    def __enter__(self) -> None:
        return None

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if fault is None:
            return
        # whatever ended the run is what the user must read, so nothing is raised here
        with ending.held(), suppress(SlotproofError):
            if self.journal is None and isinstance(fault, AdapterError):
                self._record(fault)
            if self.journal is not None:
                self._report(self.journal)

    def _record(self, fault: AdapterError) -> None:
        """A port that cannot be opened: the run that could not begin is an error."""
        from harness.plans.execution.not_begun import journal_of_not_begun  # noqa: PLC0415

        self.journal = journal_of_not_begun(
            self._folder, self._plan, self._fixture, self._allowed, fault
        )

    def _report(self, journal: Path) -> None:
        from harness.results.reports.rebuild import rebuild  # noqa: PLC0415

        rebuild(journal, self._folder, case_properties=self._case_properties)
        say(f"results: {self._folder}")
