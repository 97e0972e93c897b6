"""Projection to text: a table for terminals, plain lines for everything else.

Rule 1: no measured value without its unit and limits.
Rule 2: a verdict is a word first; colour only repeats it.
Rule 3: whatever failed or broke is followed by its message and what to look at first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.records import DeviceRef, Outcome
from harness.results.reasons import reason_words
from harness.results.record.device_tally import DeviceResult
from harness.results.record.run import RunRecord
from harness.results.record.steps import StepRecord
from harness.results.wording import (
    one_line,
    retries_text,
    step_name,
    value_rows,
)

_STYLES = {
    Outcome.PASSED: "green",
    Outcome.SKIPPED: "dim",
    Outcome.FAILED: "bold red",
    Outcome.ERROR: "bold magenta",
}
_HEADINGS = ("device", "quantity", "value", "unit", "limits", "verdict", "tries")
_RIGHT = frozenset({"value", "tries"})
_INDENT = 2
_GAP = 2
_NARROWEST_NAME = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One line of the table: a value, or a check that measured nothing."""

    outcome: Outcome
    cells: tuple[str, ...]
    device: DeviceRef | None
    remarks: tuple[str, ...] = ()


def verdict_table(record: RunRecord) -> RenderableType:
    """The verdicts as a rich renderable, fitted to the width it is shown in."""
    return _VerdictTable(record)


def plain_lines(record: RunRecord) -> list[str]:
    """The verdicts as aligned lines for files and pipes; the summary comes last.

    Every line of a check begins with its verdict, so that ``grep ^failed`` finds the
    failed ones; message and hint follow on indented lines. Columns: verdict, step,
    device, quantity, value, unit, limits, verdict of the value, tries.
    """
    found = [(step, row) for step in record.steps for row in _rows(step)]
    table = [
        (str(row.outcome), step_name(step), *row.cells[:5], row.cells[5], row.cells[6])
        for step, row in found
    ]
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    lines: list[str] = []
    for (_, row), cells in zip(found, table, strict=True):
        padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        lines.append("  ".join(padded).rstrip())
        lines.extend(f"    {remark}" for remark in row.remarks)
    return [*lines, summary_line(record)]


def summary_line(record: RunRecord) -> str:
    """The run on one line: verdict, counts, time, and what else must be known."""
    counts = {outcome: record.count(outcome) for outcome in Outcome}
    retried = sum(result.passed_after_retry for _, result in record.results)
    parts = [f"{counts[Outcome.PASSED]} passed"]
    if retried:
        parts[0] += f" ({retried} after a retry)"
    parts += [
        f"{counts[Outcome.FAILED]} failed",
        f"{counts[Outcome.ERROR]} {_plural(counts[Outcome.ERROR], 'error')}",
        f"{counts[Outcome.SKIPPED]} skipped",
        f"{record.duration_s:.1f} s on the port's clock",
    ]
    if record.gaps:
        parts.append(f"adapter away {record.gap_s:.1f} s")
    if record.lines_lost:
        lost = _plural(record.lines_lost, "line")
        parts.append(f"{record.lines_lost} journal {lost} lost")
    parts.extend(record.disagreements)
    return one_line(f"run {record.outcome}: {', '.join(parts)}")


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"


def _rows(step: StepRecord) -> Iterator[_Row]:
    results = list(step.results)
    for result, remarks in zip(results, _remarks_once(results), strict=True):
        lines = list(_cells(result))
        for number, cells in enumerate(lines, start=1):
            yield _Row(
                outcome=result.outcome,
                cells=cells,
                device=result.device,
                remarks=remarks if number == len(lines) else (),
            )


def _remarks_once(results: Sequence[DeviceResult]) -> Iterator[tuple[str, ...]]:
    """Remarks of each result; what devices in a row have alike stands behind the last.

    Each failure and error keeps its own.
    """
    alike = 1
    for result, after in zip(results, [*results[1:], None], strict=True):
        remarks = _remarks(result)
        good = result.outcome in {Outcome.PASSED, Outcome.SKIPPED}
        if remarks and good and after and _remarks(after) == remarks:
            alike += 1
            yield ()
            continue
        if alike > 1:
            remarks = tuple(f"{alike} devices alike, {text}" for text in remarks)
        yield remarks
        alike = 1


def _cells(result: DeviceResult) -> Iterator[tuple[str, ...]]:
    device = one_line(result.device.label) if result.device else "bus"
    tries = str(result.tries)
    rows = value_rows(result)
    if not rows:
        yield (device, "-", "-", "-", "-", str(result.outcome), tries)
    for row in rows:
        limits = row.limits.removeprefix("limits ")
        yield (device, row.name, row.value, row.unit, limits, row.verdict, tries)


def _remarks(result: DeviceResult) -> tuple[str, ...]:
    shown = result.shown
    remarks = []
    if shown.message:
        remarks.append(f"{result.outcome}: {one_line(shown.message)}")
    if result.outcome is not Outcome.PASSED and shown.hint:
        remarks.append(f"hint: {one_line(shown.hint)}")
    if result.passed_after_retry:
        first = result.attempts[0]
        remarks.append(
            f"passed after {retries_text(result.retries)}, the first: "
            f"{one_line(first.message or reason_words(first.kind))}"
        )
    remarks.extend(f"note: {one_line(note)}" for note in result.notes)
    return tuple(remarks)


class _VerdictTable:
    def __init__(self, record: RunRecord) -> None:
        self._record = record

    def __rich_console__(
        self, console: Console, options: ConsoleOptions
    ) -> RenderResult:
        rows = [list(_rows(step)) for step in self._record.steps]
        room = options.max_width - _INDENT
        everything = [row for of_step in rows for row in of_step]
        short = _total(_natural_widths(everything, short=False)) > room
        widths = _fitted(_natural_widths(everything, short=short), room)
        yield Padding(_table(widths, heading=True), (0, 0, 0, _INDENT))
        for step, of_step in zip(self._record.steps, rows, strict=True):
            yield _step_heading(step)
            yield from _step_body(of_step, widths, short=short)
        yield Text(summary_line(self._record), style=_STYLES[self._record.outcome])


def _step_heading(step: StepRecord) -> Text:
    text = Text(f"{step_name(step)}: ", style="bold")
    return text.append(str(step.outcome), style=_STYLES[step.outcome])


def _step_body(
    rows: list[_Row], widths: list[int], *, short: bool
) -> Iterator[RenderableType]:
    """The rows of one step; a remark ends a piece of table, the next goes on."""
    piece = _table(widths)
    for row in rows:
        style = _STYLES[row.outcome] if row.cells[5] not in ("ok", "not judged") else ""
        cells = [Text(cell, overflow="fold") for cell in _fitting(row, short=short)]
        cells[5].stylize(style or "none")
        piece.add_row(*cells)
        if row.remarks:
            yield Padding(piece, (0, 0, 0, _INDENT))
            piece = _table(widths)
            for remark in row.remarks:
                yield Padding(Text(remark), (0, 0, 0, 2 * _INDENT))
    if piece.row_count:
        yield Padding(piece, (0, 0, 0, _INDENT))


def _table(widths: list[int], *, heading: bool = False) -> Table:
    table = Table(
        box=None, show_header=heading, padding=(0, _GAP, 0, 0), pad_edge=False
    )
    for name, width in zip(_HEADINGS, widths, strict=True):
        table.add_column(
            Text(name, style="dim", overflow="fold"),
            width=width,
            justify="right" if name in _RIGHT else "left",
        )
    return table


def _fitting(row: _Row, *, short: bool) -> tuple[str, ...]:
    """The cells; where room is short a socket stands for its device."""
    if not short:
        return row.cells
    device, *rest = row.cells
    if row.device is not None and row.device.socket:
        device = one_line(row.device.socket)
    return (device, *rest)


def _natural_widths(rows: list[_Row], *, short: bool) -> list[int]:
    columns = zip(*[_HEADINGS, *(_fitting(r, short=short) for r in rows)], strict=True)
    return [max(cell_len(cell) for cell in column) for column in columns]


def _total(widths: list[int]) -> int:
    return sum(widths) + _GAP * (len(widths) - 1)


def _fitted(widths: list[int], room: int) -> list[int]:
    """Widths that fit: names fold first, then whatever is widest."""
    widths = list(widths)
    folding = _HEADINGS.index("quantity")
    while _total(widths) > room:
        column = folding
        if widths[folding] <= _NARROWEST_NAME:
            column = max(range(len(widths)), key=widths.__getitem__)
        if widths[column] <= 1:
            break
        widths[column] -= 1
    return widths
