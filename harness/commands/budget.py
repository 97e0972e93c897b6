"""`slotproof budget`: what the line of a fixture can bear, computed."""

from __future__ import annotations

from pathlib import Path

from harness.output import say
from harness.plans.execution.fixture_circuit import circuit_of, grid_of, slots_of
from harness.plans.loading.files import load_fixture
from harness.plans.schema.files import Fixture
from harness.results.reports.budget import budget_lines
from harness.results.reports.bus_verdict import MeasuredRow, verdict_lines
from harness.wire.budget.remedy import Remedies, holds, remedies
from harness.wire.budget.table import Budget
from harness.wire.budget.table import budget as budget_of


def budget(*, fixture: Path, at_once: int | None, formulas: bool) -> None:
    """Compute what the line of a fixture can bear, without touching a port."""
    loaded = load_fixture(fixture)
    found = budget_of_fixture(loaded, at_once)
    for line in budget_lines(found, formulas=formulas):
        say(line)
    show_verdict(loaded, found)


def budget_of_fixture(fixture: Fixture, busy_at_once: int | None = None) -> Budget:
    """What is computed of a fixture's line."""
    slots = slots_of(fixture, grid_of(fixture))
    return budget_of(circuit_of(fixture, busy_at_once=busy_at_once), slots)


def show_verdict(
    fixture: Fixture, found: Budget, measured: MeasuredRow | None = None
) -> None:
    """The one verdict on the bus, with remedies."""
    cures = (
        Remedies()
        if holds(found)
        else remedies(found.circuit, grid_of(fixture), found.slots)
    )
    for line in verdict_lines(found, cures, measured):
        say(line)
