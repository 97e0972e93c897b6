"""`slotproof budget`: the electrical budget of a fixture's line, computed."""

from __future__ import annotations

import math
from pathlib import Path

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.runs import BudgetAnswer, BudgetValue
from harness.plans.execution.fixture_circuit import circuit_of, grid_of, slots_of
from harness.plans.loading.files import load_fixture
from harness.plans.schema.files import Fixture
from harness.results.reports.budget import budget_lines
from harness.results.reports.bus_verdict import MeasuredRow, verdict_lines
from harness.wire.budget.remedy import Remedies, holds, remedies
from harness.wire.budget.rows import BudgetRow
from harness.wire.budget.table import Budget
from harness.wire.budget.table import budget as budget_of


def budget(
    *, fixture: Path, at_once: int | None, formulas: bool, style: OutputStyle
) -> int:
    """Compute the electrical budget of a fixture's line, without touching a port."""
    loaded = load_fixture(fixture)
    found = budget_of_fixture(loaded, at_once)
    verdict = bus_verdict(loaded, found)
    code = 0 if holds(found) else 1
    if style.json:
        print_json(
            BudgetAnswer(
                command="budget",
                exit_code=code,
                rows=tuple(map(_value, found.rows)),
                bus_verdict=tuple(verdict),
            )
        )
        return code
    shown = verdict[:1] if style.quiet else verdict
    lines = [] if style.quiet else budget_lines(found, formulas=formulas)
    print_texts([*shown, *lines])
    return code


def _value(row: BudgetRow) -> BudgetValue:
    return BudgetValue(
        group=row.group,
        name=row.name,
        value=_finite(row.value),
        half_width=_finite(row.half_width),
        unit=row.unit,
        low=_finite(row.low),
        high=_finite(row.high),
        verdict=str(row.verdict),
        formula=row.formula,
        source=row.source,
    )


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def budget_of_fixture(fixture: Fixture, busy_at_once: int | None = None) -> Budget:
    """What is computed of a fixture's line."""
    slots = slots_of(fixture, grid_of(fixture))
    return budget_of(circuit_of(fixture, busy_at_once=busy_at_once), slots)


def bus_verdict(
    fixture: Fixture, found: Budget, measured: MeasuredRow | None = None
) -> list[str]:
    """The one verdict on the bus, with its reasons and remedies, a line each."""
    cures = (
        Remedies()
        if holds(found)
        else remedies(found.circuit, grid_of(fixture), found.slots)
    )
    return verdict_lines(found, cures, measured)
