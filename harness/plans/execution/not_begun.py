"""A run that could not begin: its adapter could not be opened."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import AdapterError
from harness.families.hazard import Hazard
from harness.plans.execution.run_facts import facts_of_start
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.plan import Plan
from harness.records import Outcome
from harness.results.journal.writer import Journal
from harness.results.record.run import EXIT_CODES


def journal_of_not_begun(
    folder: Path,
    plan: Plan,
    fixture: Fixture,
    allowed: Iterable[Hazard],
    fault: AdapterError,
) -> Path:
    """A journal with ``record_not_begun`` alone; its path.

    Raises:
        HostError: the disk does not take it.
        UsageError: the folder cannot be used.
    """
    with Journal.create(folder, SystemClock()) as journal:
        record_not_begun(journal, plan, fixture, allowed, fault)
    return journal.path


def record_not_begun(
    journal: Journal,
    plan: Plan,
    fixture: Fixture,
    allowed: Iterable[Hazard],
    fault: AdapterError,
) -> None:
    """Write what was to run, and why nothing did: an error in every report.

    Raises:
        HostError: the disk does not take it.
    """
    place = f"{fault.where}: " if fault.where else ""
    journal.record("run_started", **facts_of_start(plan, fixture, allowed))
    journal.record(
        "run_done",
        outcome=str(Outcome.ERROR),
        exit_code=EXIT_CODES[Outcome.ERROR],
        interrupted=False,
        why={
            "kind": fault.kind,
            "message": f"the run could not begin: {place}{fault.what}",
            "hint": fault.hint,
        },
    )
