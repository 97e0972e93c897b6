"""Under which conditions a quantity of a lot was measured by a vary step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.errors import UsageError
from harness.lots.csv_rows import open_table
from harness.lots.readings import files_of
from harness.old_names import current_name, current_title
from harness.results.journal.lines import require_whole
from harness.results.journal.writer import read_events

_COLUMNS = ("step", "condition", "quantity")


def conditions_of(
    paths: Sequence[Path], *, quantity: str, step: str = ""
) -> dict[str, str]:
    """Title of the step that measured a quantity, by condition, in the files' order.

    Args:
        paths: journals, results folders and CSV files, as ``read_lot`` takes them.
        quantity: name of the measured value.
        step: title that the step has in the plan, where several measured it.

    Raises:
        UsageError: no vary step measured it, or several did and none is named.
    """
    quantity, step = current_name(quantity), current_title(step)
    found: dict[str, dict[str, str]] = {}
    for file in (file for path in paths for file in files_of(path)):
        rows = _in_csv if file.suffix.lower() == ".csv" else _in_journal
        for title, condition in rows(file, quantity):
            base = title.removesuffix(f" at {condition}")
            if step in {"", base}:
                found.setdefault(base, {})[condition] = title
    if not found:
        raise UsageError(
            f"no vary step measured {quantity}{f' in {step!r}' if step else ''}",
            hint="leave --by-condition out; --step takes the title without its condition",
        )
    if len(found) > 1:
        raise UsageError(
            f"{quantity} was measured by different steps under conditions",
            hint=f"name one with --step: {', '.join(map(repr, found))}",
        )
    return next(iter(found.values()))


def _in_journal(path: Path, quantity: str) -> Iterator[tuple[str, str]]:
    """Title and condition of each result that holds the quantity."""
    steps: dict[str, tuple[str, str]] = {}
    for event in read_events(path):
        require_whole(event)
        number = str(event.get("step", ""))
        if event["event"] == "step_started" and event.get("under"):
            steps[number] = (
                current_title(str(event.get("title"))),
                str(event["under"]),
            )
        if event["event"] != "check_done" or number not in steps:
            continue
        measured = (event.get("result") or {}).get("measurements", ())
        if any(current_name(str(m.get("name"))) == quantity for m in measured):
            yield steps[number]


def _in_csv(path: Path, quantity: str) -> Iterator[tuple[str, str]]:
    """The same of each row; an export protects a leading sign by an apostrophe."""
    with open_table(path, columns=("device", "value")) as table:
        step, condition, named = (table.columns.get(c, -1) for c in _COLUMNS)
        for row in table.rows(invalid="error"):
            row.append("")
            under = row[condition].removeprefix("'")
            if under and current_name(row[named]) in {"", quantity}:
                yield current_title(row[step]).partition(" ")[2], under
