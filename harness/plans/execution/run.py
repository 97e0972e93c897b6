"""The one way to run a plan: port, journal, run, reports, in this order.

Command line, pytest plugin, station and Python programs all go through here.

Rule 1: requests to end the process (``harness.ending``) wait until the journal has its
first line, end the run in order while it goes on, and wait again for the reports.
Rule 2: whatever error ends the run, a journal that exists gets its reports; where the
adapter cannot be opened, a journal that says so is made.
Rule 3: reports are made from the journal alone, after it and the port are closed.
"""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness import ending
from harness.clock import Clock
from harness.driver.bus import Bus
from harness.errors import AdapterError, SlotproofError, UsageError
from harness.lazy import STATISTICS, require
from harness.plans.execution.connection import connect
from harness.plans.execution.not_begun import journal_of_not_begun
from harness.plans.execution.request import RunRequest
from harness.plans.execution.resume import Resumption, read_resumption
from harness.plans.execution.runner import Listener, Runner
from harness.plans.execution.simulated import is_simulated
from harness.plans.execution.tracing.traffic import keeper
from harness.plans.records.guesses import Guesses, last_run_of, of_journal
from harness.plans.schema.diagnose import Diagnose
from harness.plans.schema.soak import Soak
from harness.plans.steps.context import Operator
from harness.plans.steps.instruments.running import require_same_instruments
from harness.results.journal.writer import Journal
from harness.results.record.run import RunRecord
from harness.results.reports.rebuild import read_record, rebuild

Watch = Callable[[Clock], AbstractContextManager[Listener]]
"""Begins to watch a run, given the port's clock; what it yields hears each event."""


class NoOperator:
    """No operator is there to answer a prompt."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Refuse.

        Raises:
            UsageError: always.
        """
        question = "a yes or no" if yes_no else "enter"
        raise UsageError(
            f"the plan waits for {question} at {text!r}, and nobody is asked here",
            hint="take the prompt step out of the plan, or use `slotproof run`",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """A run that is over.

    Attributes:
        record: what its journal adds up to.
        exit_code: 0 passed, 1 failed, 3 could not tell; of a run that was ended that of
            ``harness.ending``.
        folder: its results folder.
        journal: first part of its journal.
    """

    record: RunRecord
    exit_code: int
    folder: Path
    journal: Path


class OpenRun:
    """A run whose port and journal are open; see ``opened``.

    Attributes:
        request: what it is to be.
        folder: its results folder.
        journal: first part of its journal; None while there is none.
        runner: goes through the plan.
        left_on: instruments that may still be on at its end, a sentence each.
    """

    runner: Runner

    def __init__(self, request: RunRequest) -> None:
        self.request = request
        self.folder = request.results_folder()
        self.journal = request.resume
        self.left_on: tuple[str, ...] = ()

    def rest_instruments(self) -> None:
        """Bring to rest what still is not; an error that it raises notes what may be on."""
        instruments = self.runner.context.instruments
        rested = instruments.rest()
        self.left_on = tuple(each.sentence for each in rested if each.fault)
        instruments.close()

    def report(self) -> RunRecord:
        """Make the reports from the journal alone, once the run is over.

        Raises:
            UsageError: the journal or the folder cannot be used.
        """
        assert self.journal is not None
        if not self.request.reports:
            return read_record(self.journal)
        properties = self.request.case_properties
        return rebuild(self.journal, self.folder, case_properties=properties)


def _require_parts(request: RunRequest) -> None:
    """What a plan needs is there before anything is sent."""
    for item in request.plan.leaf_steps():
        if isinstance(item.body, Soak | Diagnose):
            require(STATISTICS, where=f"{request.plan.source.name}:{item.line}")


def execute(
    request: RunRequest,
    *,
    operator: Operator | None = None,
    watch: Watch | None = None,
    left_behind: Callable[[Path], None] = lambda _folder: None,
    bus: Bus | None = None,
    runner: Callable[..., Runner] = Runner,
) -> RunResult:
    """Run a plan from its beginning to its reports.

    Args:
        request: what to run, and where.
        operator: who answers prompts; None refuses them.
        watch: shows the run while it goes on.
        left_behind: hears of the folder if an error ends the run and reports were made
            nevertheless; the error goes on.
        bus: an open bus of the fixture, which stays open; None opens the fixture's port.
        runner: makes the runner; takes what ``Runner`` takes.

    Raises:
        UsageError: the run to take up again is not this one, or a file cannot be used.
        AdapterError: the port or the journal cannot be opened.
    """
    _require_parts(request)
    with opened(
        request,
        operator=operator,
        watch=watch,
        left_behind=left_behind,
        bus=bus,
        runner=runner,
    ) as run:
        code = run.runner.run()
    with ending.held():
        record = run.report()
        ending.leave_with(code)
    assert run.journal is not None
    return RunResult(
        record=record, exit_code=code, folder=run.folder, journal=run.journal
    )


@contextmanager
def opened(
    request: RunRequest,
    *,
    operator: Operator | None = None,
    watch: Watch | None = None,
    left_behind: Callable[[Path], None] = lambda _folder: None,
    bus: Bus | None = None,
    runner: Callable[..., Runner] = Runner,
) -> Iterator[OpenRun]:
    """Open port and journal, for callers that go through a plan step by step.

    The caller begins and ends the run (``Runner.begin``, ``Runner.end``) and makes the
    reports after this (``OpenRun.report``). Arguments and errors as ``execute`` has them.
    """
    resume = request.resume
    resumed = read_resumption(resume, request.plan, request.fixture) if resume else None
    run = OpenRun(request)
    try:
        with (
            ending.interruptible(),
            _bus_of(request, bus) as on,
            ExitStack() as unbegun,
        ):
            # before the journal goes on: a run that cannot begin would end there
            _require_same_bench(request, on, resumed)
            unbegun.enter_context(ending.held())
            with _journal_of(run, resumed, on.clock) as journal:
                run.journal = journal.path
                if request.echoes:
                    on.adapter.on_traffic = keeper(journal, on.adapter)
                watching = watch(on.clock) if watch else _unwatched()
                with watching as hear:
                    run.runner = runner(
                        plan=request.plan,
                        fixture=request.fixture,
                        bus=on,
                        journal=journal,
                        operator=operator or NoOperator(),
                        listener=_then(hear, unbegun.close),
                        allowed=request.allowed,
                        events=request.events,
                        resumed=resumed,
                        go_on=_go_on(request.command, journal.path),
                    )
                    run.runner.context.guesses = _guesses_for(request, run.folder)
                    try:
                        yield run
                    finally:  # the runner did so, unless an error took it away
                        run.rest_instruments()
    except BaseException as fault:
        for sentence in run.left_on:
            fault.add_note(sentence)
        # whatever ended the run is what the user must read, so nothing is raised here
        with ending.held(), suppress(SlotproofError):
            if bus is None and isinstance(fault, AdapterError):
                _record_not_begun(run, fault)
            if run.journal is not None:
                run.report()
                left_behind(run.folder)
        raise


def _require_same_bench(
    request: RunRequest, bus: Bus, resumed: Resumption | None
) -> None:
    if resumed and resumed.identities:
        require_same_instruments(request.fixture, bus, resumed.identities)


def _guesses_for(request: RunRequest, folder: Path) -> Guesses:
    """Those of the request, else from the last run of this fixture beside this one.

    A simulated bench guesses from what it is told alone, so that a rehearsal repeats.
    """
    if request.guesses is not None:
        return request.guesses
    if is_simulated(request.fixture):
        return Guesses()
    if request.resume is not None:
        return of_journal(request.resume, origin="this run so far")
    return last_run_of(request.fixture, folder.parent)


def _bus_of(request: RunRequest, bus: Bus | None) -> AbstractContextManager[Bus]:
    if bus is None:
        return connect(request.fixture, line=request.line)
    return _kept_open(bus)


@contextmanager
def _kept_open(bus: Bus) -> Iterator[Bus]:
    yield bus


def _journal_of(run: OpenRun, resumed: Resumption | None, clock: Clock) -> Journal:
    return resumed.open_journal(clock) if resumed else Journal.create(run.folder, clock)


@contextmanager
def _unwatched() -> Iterator[Listener]:
    yield lambda _event, _fields: None


def _then(hear: Listener, first_heard: Callable[[], None]) -> Listener:
    """Receive each event; the first one ends what had to wait for it."""

    def listen(event: str, fields: dict[str, Any]) -> None:
        hear(event, fields)
        first_heard()

    return listen


def _record_not_begun(run: OpenRun, fault: AdapterError) -> None:
    """A port that cannot be opened: the run that could not begin is an error."""
    if run.journal is not None:
        return
    request = run.request
    run.journal = journal_of_not_begun(
        run.folder, request.plan, request.fixture, request.allowed, fault
    )


def _go_on(command: Sequence[str], journal: Path) -> str:
    """The command that takes the run up again, as it is typed; empty if not known."""
    if not command:
        return ""
    words = [*command, "--resume", str(journal)]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)
