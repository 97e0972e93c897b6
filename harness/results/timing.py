"""What a survey found, worst first, and the sentence that says what limits the bus.

From the run record alone: measured values of ``measure`` steps with their evidence.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.digits import bound_text, limits_text, number_text, quantity_text
from harness.records import Bound, Measurement, Side
from harness.results.record.device_tally import DeviceResult
from harness.results.record.evidence import not_measured_in, timing_of
from harness.results.record.run import RunRecord
from harness.results.record.slot_evidence import TimingFacts
from harness.results.record.steps import StepRecord

BUS = "line"
"""Label of what is measured on the bus as a whole."""

_BECAUSE = {
    "rise_time": "the line rises too slowly for the slots: pull-up, cable, devices",
    "presence_wait": "the presence pulse comes near the edge of its time",
    "presence_end": "the presence pulse ends near the edge of its time",
    "reset_high": "slots after a reset are taken late",
    "longest_write_1": "written ones are nearly read as zeros: the device samples early, "
    "or the rise takes up the slot",
    "sample_instant": "the device samples written slots near the edge of its window",
    "read_0_hold": "the device holds its zeros near the edge of their time",
    "shortest_low": "the device needs long lows",
    "slot_period": "the device needs long slots",
    "recovery": "the device needs a long recovery",
    "clock_error": "the adapter's clock is near the end of its tolerance",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingRow:
    """One measured time.

    Attributes:
        device: label of the device, or ``BUS``.
        value: measurement or bound, with limits and uncertainty.
        step: number of the step that measured it.
        basis: formula or assumption.
        source: of the limits.
        thin: True if the uncertainty reaches the limit.
        blur_us: from nearly never to nearly always.
    """

    device: str
    value: Measurement
    step: str = ""
    basis: str = ""
    source: str = ""
    thin: bool = False
    blur_us: float = 0.0

    @property
    def number(self) -> float:
        """The value as a number."""
        return float(self.value.value)

    @property
    def margin(self) -> float | None:
        """Distance to the nearer limit in the value's unit; None where none is judged."""
        return self.value.margin

    @property
    def share(self) -> float:
        """Margin over the width of the window, or over the limit; infinite without."""
        margin, low, high = self.margin, self.value.low, self.value.high
        if margin is None:
            return float("inf")
        if low is not None and high is not None:
            return margin / ((high - low) / 2)
        return margin / abs(low or high or 1.0)

    @property
    def text(self) -> str:
        """Value with bound or uncertainty, and unit."""
        return quantity_text(self.value)

    @property
    def margin_text(self) -> str:
        """The margin, without unit; of a bound it is at least so large."""
        if self.margin is None:
            return ""
        if self.value.bound and self.margin > 0:
            return bound_text(self.margin, Bound.AT_LEAST)
        return number_text(self.margin, self.value.uncertainty)

    @property
    def margin_shown(self) -> str:
        """The margin with its unit; empty without one."""
        return f"{self.margin_text} {self.value.unit}" if self.margin_text else ""

    @property
    def percent_text(self) -> str:
        """The margin in percent of half the window, or of the only limit."""
        if self.margin is None:
            return ""
        return f"{number_text(round(100 * self.share, 1))} %"

    @property
    def limits_text(self) -> str:
        """Limits in words."""
        return limits_text(self.value.low, self.value.high) or "no limits"


def timing_rows(record: RunRecord) -> list[TimingRow]:
    """Every measured time of a run: the line's first, then each device's."""
    return [
        row
        for step in record.steps
        if step.kind == "measure"
        for result in step.results
        for row in _rows(step, result)
    ]


def _rows(step: StepRecord, result: DeviceResult) -> Iterator[TimingRow]:
    evidence = timing_of(result.shown)
    label = result.device.label if result.device else BUS
    for value in result.shown.measurements:
        if isinstance(value.value, str | bool):
            continue
        facts = evidence.get(value.name, TimingFacts())
        yield TimingRow(
            device=label,
            value=value,
            step=step.step,
            basis=facts.basis,
            source=facts.source,
            thin=facts.thin,
            blur_us=facts.blur_us,
        )


def worst_first(rows: list[TimingRow]) -> list[TimingRow]:
    """Rows with a limit, smallest share of margin first; bounds after the values.

    A bound such as "at most 0.7 us" says that the margin is at least so large, so it
    is no sign that anything is near its limit unless the limit is broken.
    """
    judged = [row for row in rows if row.margin is not None]
    return sorted(
        judged, key=lambda r: (bool(r.value.bound) and r.value.holds, r.share)
    )


def explanation(rows: list[TimingRow]) -> str:
    """What limits the bus, in one or two sentences; empty without a judged row."""
    ordered = worst_first(rows)
    if not ordered:
        return ""
    worst = ordered[0]
    assert worst.margin is not None
    broken = not worst.value.holds
    doubt, unit = worst.value.uncertainty, worst.value.unit
    left = (
        f"misses its limit by {number_text(-worst.margin, doubt)} {unit}"
        if broken
        else f"has {number_text(worst.margin, doubt)} {unit} left"
    )
    because = _BECAUSE.get(worst.value.name.removeprefix("overdrive_"), "")
    sentence = (
        f"What limits this bus: {worst.value.name} of {worst.device} is {worst.text} "
        f"({worst.limits_text}) and {left}"
    )
    if because:
        sentence += f"; {because}"
    if worst.thin and not broken:
        sentence += "; the margin is thinner than the uncertainty"
    return sentence + "."


def not_measured(record: RunRecord) -> list[str]:
    """What measure steps asked for and the adapter could not measure, with the reason."""
    return [
        f"{result.device.label if result.device else BUS}: {name} not measured: {why}"
        for step in record.steps
        if step.kind == "measure"
        for result in step.results
        for name, why in not_measured_in(result.shown).items()
    ]


def _remark(row: TimingRow) -> str:
    if not row.value.holds:
        return "VIOLATED"
    open_sides = [
        name
        for name, side in (("low", row.value.low_side), ("high", row.value.high_side))
        if side is Side.OPEN
    ]
    if open_sides:
        return f"{' and '.join(open_sides)} limit not judged"
    return "thin" if row.thin else ""


def _aligned(table: list[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) for cell, width in zip(cells, widths, strict=True)
        ).rstrip()
        for cells in table
    ]


def timing_lines(rows: list[TimingRow], most: int | None = None) -> list[str]:
    """The survey as aligned lines, worst first, rows without a limit last.

    Args:
        rows: the measured times.
        most: rows to show; None for all. What misses a limit is always shown.
    """
    if not rows:
        return []
    ordered = [*worst_first(rows), *(row for row in rows if row.margin is None)]
    missed = sum(not row.value.holds for row in rows)
    shown = ordered if most is None else ordered[: max(most, missed)]
    table: list[tuple[str, ...]] = [
        ("device", "quantity", "measured", "limits", "margin", "percent", "")
    ]
    for row in shown:
        cells = (row.device, row.value.name, row.text, row.limits_text)
        table.append((*cells, row.margin_shown, row.percent_text, _remark(row)))
    lines = _aligned(table)
    if more := len(ordered) - len(shown):
        lines.append(f"{more} more, with larger margins or none: --table, report.html")
    return lines
