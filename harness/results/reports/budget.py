"""The electrical budget as aligned lines."""

from __future__ import annotations

import math

from harness.digits import limits_text, uncertain_text
from harness.wire.budget.table import Budget, BudgetRow

_MARKS = {
    "holds": "within limits",
    "tight": "tight",
    "broken": "VIOLATED",
    "caution": "caution",
    "stated": "",
}


def budget_lines(budget: Budget, *, formulas: bool = False) -> list[str]:
    """What is nearest to its limit, then one line a row, group by group.

    Args:
        budget: what to show.
        formulas: a second line with formula and source below each row.
    """
    cells = [
        (row.group, row.name, _value(row), _limits(row), _MARKS[row.verdict])
        for row in budget.rows
    ]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    worst = next(iter(budget.worst_first), None)
    lines = []
    if worst is not None:
        lines.append(
            f"nearest to its limit: {worst.name}, {_value(worst)} ({_limits(worst)})"
        )
    lines += [f"slots: {budget.slots.reason}", ""]
    for row, line in zip(budget.rows, cells, strict=True):
        padded = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        lines.append("  ".join(padded).rstrip())
        if formulas:
            lines.append(f"    {row.formula} [{row.source}]")
    return lines


def _value(row: BudgetRow) -> str:
    if math.isinf(row.value):
        return "any" if row.unit == "ohm" else "never"
    return f"{uncertain_text(row.value, row.half_width)} {row.unit}".rstrip()


def _limits(row: BudgetRow) -> str:
    return limits_text(row.low, row.high).replace("inf", "any")
