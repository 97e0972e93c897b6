"""What a run is to be: plan, fixture, folder and options, checked as one.

A request that exists can be run: plan and fixture fit, and each hazard is named by the
plan and allowed. Nothing has been sent by then, and no port is open.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import UsageError
from harness.families.hazard import Hazard
from harness.plans.execution.connection import LineRecording, port_url
from harness.plans.execution.hazard_gate import require_allowed
from harness.plans.loading.files import check_together
from harness.plans.loading.problems import PlanError
from harness.plans.records.guesses import Guesses
from harness.plans.schema.files import Fixture, Plan
from harness.results.reports.junit import slug

RESULTS = Path("results")
"""Where results folders are made unless one is named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """One run of one plan on one fixture.

    Attributes:
        plan: the plan, parameters filled in.
        fixture: the bench.
        into: results folder; None makes a fresh one under ``results``.
        allowed: hazards that the user allows.
        events: file of other events while a soak runs, or None.
        resume: journal of a run to take up again, or None; its folder is used again.
        reports: write junit.xml, report.html and pictures when the run is over.
        case_properties: see ``junit.write_junit``.
        echoes: keep every character sent and heard in the journal; a recorded line is
            held against them.
        line: file that a simulated bench writes its line to, or None.
        guesses: devices that may be on the bus, or are like those on it; None for those
            of the fixture's last run beside this one, of which a simulated bench has none.
        command: words of the command line that began it, for the hint how to go on.

    Raises:
        PlanError: plan and fixture do not fit, or a hazard is not named or not allowed.
        UsageError: options exclude each other, or the event file is absent.
    """

    plan: Plan
    fixture: Fixture
    into: Path | None = None
    allowed: frozenset[Hazard] = frozenset()
    events: Path | None = None
    resume: Path | None = None
    reports: bool = True
    case_properties: bool = False
    line: LineRecording | None = None
    echoes: bool = False
    guesses: Guesses | None = None
    command: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        require_options(into=self.into, events=self.events, resume=self.resume)
        if self.plan.mentions and self.plan.unit_values is None:
            self.plan.of_unit({})  # says what it lacks
        require_runnable(self.plan, [self.fixture], self.allowed)
        if self.line is not None:
            require_line(self.fixture, self.line)

    def results_folder(self) -> Path:
        """The folder of this run; a fresh one is not made yet."""
        if self.resume is not None:
            return self.resume.parent
        return self.into or fresh_folder(self.plan.title)


def require_options(
    *, into: Path | None, events: Path | None, resume: Path | None
) -> None:
    """Insist that the options of a run go together.

    Raises:
        UsageError: they do not, or the event file is absent.
    """
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


def require_line(fixture: Fixture, line: LineRecording) -> None:
    """Insist that the line of this fixture can be recorded there.

    Raises:
        UsageError: the fixture is no simulated bench, or the file cannot be made.
    """
    port_url(fixture, line)
    path, why = line.path, ""
    if path.exists():
        why = "exists already, and no recording is overwritten"
    elif not path.absolute().parent.is_dir():
        why = "lies in a folder that does not exist"
    elif not os.access(path.absolute().parent, os.W_OK):
        why = "lies in a folder that you may not write to"
    if why:
        raise UsageError(
            f"the line cannot be recorded: the file {why}",
            where=str(path),
            hint="name a fresh file in a folder that you may write to",
        )


def require_runnable(
    plan: Plan, fixtures: Iterable[Fixture], allowed: frozenset[Hazard]
) -> None:
    """Insist that a plan may run on each of these fixtures.

    Raises:
        PlanError: with the place of each mistake; those of all fixtures at once.
    """
    on = list(fixtures)
    problems = [p for fixture in on for p in check_together(plan, fixture)]
    if problems:
        raise PlanError(problems)
    for fixture in on:
        require_allowed(plan, fixture, allowed)


def fresh_folder(title: str) -> Path:
    """A folder under ``results`` that is not there yet: date, time and title."""
    stamp = SystemClock().calendar().strftime("%Y%m%d-%H%M%S")
    base = RESULTS / f"{stamp}-{slug(title)}"
    folder, number = base, 1
    while folder.exists():
        number += 1
        folder = base.with_name(f"{base.name}-{number}")
    return folder
