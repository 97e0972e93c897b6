"""The electrical budget of a bus, row by row, and predicted beside measured.

Each row states a value, the limits it must keep, the formula and the source, so that
a reader can follow and doubt it. Nothing here measures: ``compare`` takes what a
survey found and says where it and the prediction disagree by more than both doubts.

Tags of sources are those of ``electrical``, ``circuit`` and ``limits``; S21 is a maker's
note on recovery with several devices, S31 the limits of category 5 cable.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.wire.budget.edges import CABLE, CAPACITANCE, RISE, edge_rows
from harness.wire.budget.levels import level_rows, power_rows, strong_window
from harness.wire.budget.reach import (
    largest_capacitance_nf,
    longest_cable_m,
    most_devices,
    pull_up_range_ohm,
    reach_rows,
)
from harness.wire.budget.rows import BudgetRow, RowVerdict
from harness.wire.circuit import Circuit
from harness.wire.slots.time_slots import SlotFrames

__all__ = [
    "CABLE",
    "CAPACITANCE",
    "RISE",
    "Budget",
    "BudgetRow",
    "Comparison",
    "Measured",
    "RowVerdict",
    "budget",
    "compare",
    "largest_capacitance_nf",
    "longest_cable_m",
    "most_devices",
    "pull_up_range_ohm",
    "strong_window",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The rows of one circuit at one set of frames."""

    circuit: Circuit
    slots: SlotFrames
    rows: tuple[BudgetRow, ...]

    @property
    def verdict(self) -> RowVerdict:
        """The gravest verdict of all rows."""
        return max((row.verdict for row in self.rows), key=lambda v: v.severity)

    @property
    def worst_first(self) -> tuple[BudgetRow, ...]:
        """Rows with limits, gravest verdict and smallest margin first."""
        judged = [(row, row.margin) for row in self.rows]
        return tuple(
            row
            for row, _ in sorted(
                ((row, margin) for row, margin in judged if margin is not None),
                key=lambda pair: (-pair[0].verdict.severity, pair[1]),
            )
        )

    def row(self, name: str) -> BudgetRow:
        """The row of that name.

        Raises:
            KeyError: there is none.
        """
        for row in self.rows:
            if row.name == name:
                return row
        raise KeyError(name)


def budget(circuit: Circuit, slots: SlotFrames) -> Budget:
    """The electrical budget of a circuit at the frames that will be used.

    Args:
        circuit: the bus as built.
        slots: slot frames, with the limits they were chosen by.
    """
    rows = (
        *edge_rows(circuit, slots),
        *level_rows(circuit),
        *power_rows(circuit, slots),
        *reach_rows(circuit, slots),
    )
    return Budget(circuit=circuit, slots=slots, rows=rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What a survey found for a row of the budget.

    Attributes:
        name: name of the row.
        value: in the row's unit.
        half_width: its uncertainty.
    """

    name: str
    value: float
    half_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A predicted value beside the measured one.

    Attributes:
        row: the prediction.
        measured: the measurement.
    """

    row: BudgetRow
    measured: Measured

    @property
    def difference(self) -> float:
        """Measured minus predicted."""
        return self.measured.value - self.row.value

    @property
    def allowed(self) -> float:
        """Both half widths together; they are bounds, hence the sum."""
        return self.measured.half_width + (self.row.half_width or 0.0)

    @property
    def warns(self) -> bool:
        """True if the two disagree by more than both doubts explain."""
        return not abs(self.difference) <= self.allowed


def compare(predicted: Budget, measured: Iterable[Measured]) -> tuple[Comparison, ...]:
    """Measured values beside the rows that predicted them, in the order given.

    Raises:
        KeyError: a measured name is no row of the budget.
    """
    return tuple(
        Comparison(row=predicted.row(found.name), measured=found) for found in measured
    )
