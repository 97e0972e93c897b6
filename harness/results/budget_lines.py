"""The electrical budget as aligned lines."""

from __future__ import annotations

import math

from harness.results.wording import number_text
from harness.wire.budget import Budget, Row

_MARKS = {
    "holds": "holds",
    "tight": "tight",
    "broken": "BROKEN",
    "caution": "caution",
    "stated": "",
}


def budget_lines(budget: Budget, *, formulas: bool = False) -> list[str]:
    """One line a row, group by group, and the verdict at the end.

    Args:
        budget: what to show.
        formulas: a second line with formula and source below each row.
    """
    cells = [
        (row.group, row.name, _value(row), _limits(row), _MARKS[row.verdict])
        for row in budget.rows
    ]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = []
    for row, line in zip(budget.rows, cells, strict=True):
        padded = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        lines.append("  ".join(padded).rstrip())
        if formulas:
            lines.append(f"    {row.formula} [{row.source}]")
    lines += ["", f"slots: {budget.slots.reason}", f"budget: {budget.verdict}"]
    worst = next(iter(budget.worst_first), None)
    if worst is not None:
        lines.append(
            f"nearest to its limit: {worst.name}, {_value(worst)} ({_limits(worst)})"
        )
    return lines


def _number(value: float) -> str:
    return "never" if math.isinf(value) else number_text(value)


def _value(row: Row) -> str:
    doubt = f" +- {number_text(row.half_width)}" if row.half_width else ""
    return f"{_number(row.value)}{doubt} {row.unit}".rstrip()


def _limits(row: Row) -> str:
    if row.low is not None and row.high is not None:
        return f"{_number(row.low)} .. {_number(row.high)}"
    if row.low is not None:
        return f"at least {_number(row.low)}"
    return "" if row.high is None else f"at most {_number(row.high)}"
