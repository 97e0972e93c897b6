"""One verdict on a bus: what the data sheets promise, what was measured, what would help.

The budget takes the slowest device and the heaviest line that the data sheets allow. A
survey measures the devices and the line that are there. Either may fail while the other
holds; the verdict says which and why, and both commands print the same one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from harness.digits import bound_text, limits_text, number_text, quantity_text
from harness.records import Bound, Measurement, Outcome
from harness.results.record.run import RunRecord
from harness.results.timing import BUS, TimingRow, timing_rows
from harness.wire.budget.remedy import Remedies, holds, reach
from harness.wire.budget.table import Budget, BudgetRow, RowVerdict, budget
from harness.wire.circuit import Circuit

_SEEN_AS = {
    "rise to the adapter's threshold": ("rise_time",),
    "line capacitance": ("capacitance",),
    "write-1 low, rise included": ("rise_time", "longest_write_1"),
    "recovery left after write-0": ("rise_time", "recovery", "slot_period"),
    "read sample, cable delay off the window": ("rise_time",),
}
"""Rows of the budget, and the measured quantities of the same thing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRow:
    """What a survey found, as far as the verdict needs it.

    Attributes:
        outcome: of the survey.
        rows: measured times.
    """

    outcome: Outcome
    rows: tuple[TimingRow, ...]

    @classmethod
    def of(cls, record: RunRecord) -> MeasuredRow:
        """From the record of a run."""
        return cls(outcome=record.outcome, rows=tuple(timing_rows(record)))

    def capacitance_nf(self) -> float | None:
        """The largest capacitance that the measurement leaves possible, or None."""
        for row in self.rows:
            if row.device == BUS and row.value.name == "capacitance":
                if row.value.bound is Bound.AT_LEAST:
                    return None
                return row.number + (row.value.uncertainty or 0.0)
        return None


def verdict_lines(
    found: Budget, cures: Remedies, measured: MeasuredRow | None = None
) -> list[str]:
    """The verdict, its reasons and the remedies, one thought a line.

    Args:
        found: the budget at the slots in use.
        cures: what would help; only given where a limit is violated.
        measured: what a survey of this bus found; None where none was made.
    """
    lines = [f"bus: {_verdict(found, measured)}"]
    broken = [row for row in found.rows if row.verdict is RowVerdict.BROKEN]
    for row in broken:
        lines.append(f"  computed: {_row_text(row)}, by {row.formula}")
        lines += [f"  measured: {text}" for text in _measured_texts(row, measured)]
    if measured is not None:
        lines += _with_measured_line(found, measured)
    if broken:
        lines += _remedy_lines(found, cures)
    elif measured is None:
        lines.append("  nothing is measured here; `slotproof survey` measures")
    return lines


def budget_note(found: Budget) -> str:
    """What a reader of measured times must know of the budget; empty if it holds."""
    broken = [row for row in found.rows if row.verdict is RowVerdict.BROKEN]
    if not broken:
        return ""
    return (
        "what passes here is not guaranteed by the data sheets: by their worst case "
        f"{'; '.join(map(_row_text, broken))}; `slotproof budget` computes what would help"
    )


_ALONE = {
    True: "within limits by the worst case of the data sheets",
    False: "not guaranteed: the worst case of the data sheets violates a limit; a given "
    "bus may work nevertheless, and only `slotproof survey` can tell",
}
"""The verdict without a measurement, by whether the budget holds."""

_BOTH = {
    (Outcome.PASSED, True): "within limits, computed and measured",
    (
        Outcome.PASSED,
        False,
    ): "works as measured, not guaranteed: the devices on this bus "
    "keep their limits today, and the data sheets do not promise it for others of their "
    "kind, nor at other temperatures and supplies",
    (Outcome.FAILED, True): "fails as measured, though the line as declared would do: "
    "the line is not as declared, or a device misses its data sheet",
    (
        Outcome.FAILED,
        False,
    ): "fails as measured, and the budget of the declared line is "
    "violated too: cure the line first, then measure again",
}
"""The verdict with one, by its outcome and whether the budget holds."""


def _verdict(found: Budget, measured: MeasuredRow | None) -> str:
    computed = holds(found)
    if measured is None:
        return _ALONE[computed]
    said = "within limits" if computed else "not guaranteed"
    other = f"not measured ({measured.outcome}); computed alone: {said}"
    return _BOTH.get((measured.outcome, computed), other)


def _row_text(row: BudgetRow) -> str:
    value = Measurement(name=row.name, value=row.value, low=row.low, high=row.high)
    unit = f" {row.unit}".rstrip()
    return (
        f"{row.name} {quantity_text(value)}{unit}, limit "
        f"{limits_text(row.low, row.high)}{unit}"
    )


def _measured_texts(row: BudgetRow, measured: MeasuredRow | None) -> Iterator[str]:
    """The nearest to its limit of each quantity of the same thing."""
    for name in _SEEN_AS.get(row.name, ()) if measured else ():
        assert measured is not None
        rows = [found for found in measured.rows if found.value.name == name]
        if rows:
            worst = max(rows, key=lambda found: found.number)
            largest = f", the largest of {len(rows)}" if len(rows) > 1 else ""
            limits = (
                "" if worst.limits_text == "no limits" else f" ({worst.limits_text})"
            )
            yield f"{name} of {worst.device} {worst.text}{limits}{largest}"


def _with_measured_line(found: Budget, measured: MeasuredRow) -> Iterator[str]:
    """The same budget with the capacitance that this line really has."""
    most_nf = measured.capacitance_nf()
    circuit = found.circuit
    if most_nf is None or most_nf >= circuit.capacitance_nf or holds(found):
        return
    light = budget(_weighing(circuit, most_nf), found.slots)
    computed = number_text(circuit.capacitance_nf)
    first = next((r for r in light.rows if r.verdict is RowVerdict.BROKEN), None)
    said = "within limits" if first is None else f"violated still: {_row_text(first)}"
    yield (
        f"  with the measured capacitance, {bound_text(most_nf, Bound.AT_MOST)} nF in "
        f"place of the computed {computed} nF, the budget is {said}"
    )


def _weighing(circuit: Circuit, capacitance_nf: float) -> Circuit:
    return replace(
        circuit,
        cable_m=0.0,
        radius_m=circuit.reach_m,
        adapter_pf=capacitance_nf * 1e3,
        devices=tuple(replace(load, input_pf=0.0) for load in circuit.devices),
    )


def _remedy_lines(found: Budget, cures: Remedies) -> Iterator[str]:
    circuit, slots = found.circuit, found.slots
    if not cures.any:
        yield "  remedy: no slots, pull-up or split of this bus holds every limit"
        return
    yield "  remedy, any one of these brings the computed worst case within limits:"
    if cures.slots is not None:
        share = 100 * (cures.slots.slot_us / slots.slot_us - 1)
        yield (
            f"    slots: write `slots: by-budget` under adapter: "
            f"{cures.slots.baud:.0f} baud 8N{cures.slots.stop_bits}, write-0 "
            f"{cures.slots.zero.byte:02X}h, {number_text(cures.slots.slot_us)} us a slot, "
            f"{share:.0f} % slower"
        )
    if cures.pull_up_ohm is not None:
        yield f"    pull-up: {_ohm_text(cures.pull_up_ohm)}, now {number_text(circuit.pull_up_ohm)} ohm"
    elif cures.slots is None and cures.both is not None:
        other, ohm = cures.both
        yield (
            f"    slots and pull-up together: {_ohm_text(ohm)}, then `slots: by-budget` "
            f"({other.baud:.0f} baud 8N{other.stop_bits})"
        )
    else:
        yield "    pull-up: no resistor alone does it at these slots"
    if cures.split is not None:
        part = cures.split
        metres = number_text(round(part.cable_m, 1))
        cable = f" and {metres} m of cable" if part.cable_m else ""
        yield (
            f"    split: {part.branches} buses of at most {_devices(part.devices)}{cable} "
            "each, every one on an adapter of its own"
        )
    most, cable_m = reach(circuit, slots)
    metres = f"{number_text(round(cable_m, 1))} m of" if cable_m > 0 else "no"
    yield (
        f"    as it is: with {number_text(circuit.cable_m)} m of cable {_devices(most)} "
        f"of this mix at most, with {_devices(circuit.count)} {metres} cable at most"
    )


def _devices(count: int) -> str:
    if count == 0:
        return "no device"
    return f"{count} device{'' if count == 1 else 's'}"


def _ohm_text(ends: tuple[float, float]) -> str:
    low, high = map(number_text, ends)
    return f"{low} ohm" if low == high else f"{low} to {high} ohm"
