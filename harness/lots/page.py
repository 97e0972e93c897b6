"""A lot command's answer as one page: verdict on top, tables, pictures inside."""

from __future__ import annotations

import re
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path

from harness.lots.report_table import LotReport, ReportTable
from harness.results.plots.lots import Figures
from harness.results.reports.page import fill, picture, write_page

FILE_NAME = "lot.html"

_NUMBERS = re.compile(r"[-+.0-9e% ]+")

_CAPTIONS = {
    "histogram": "How often each value came, with the limits",
    "probability": "Each value against the share of units at or below it: on a straight "
    "line the lot is normal",
    "boxes": "Median, quartiles and range of each lot; crosses lie apart",
    "chart": "Control charts in the order of time, with control limits and signals",
    "oc-curve": "Chance to accept a lot, by its share of bad units",
    "readings": "Readings of the golden unit in the order of time, with the limits",
    "parts": "Every reading of each device, by station",
}
"""What each picture shows, by the name of its file."""

Facts = Iterable[tuple[str, str]]
"""What the answer was worked out from, as name and value."""


def write_lot_page(
    report: LotReport, figures: Figures, facts: Facts, folder: Path
) -> Path:
    """Write the page into a folder; the file is whole or not there.

    Raises:
        OSError: the folder does not take it.
    """
    path = folder / FILE_NAME
    write_page(render(report, figures, facts), path)
    return path


def render(report: LotReport, figures: Figures, facts: Facts) -> str:
    """The page as text; the same answer gives the same text."""
    return fill(
        "lot.html.j2",
        report=report,
        blocks=[[_part(part, report) for part in block] for block in report.blocks],
        captions=_CAPTIONS,
        pictures=[picture(name, figure) for name, figure in figures.items()],
        facts=[*facts, ("version.slotproof", version("slotproof"))],
    )


def _part(part: ReportTable | str, report: LotReport) -> dict[str, object]:
    """A table, or a sentence that does not stand on top already."""
    if isinstance(part, ReportTable):
        head, *rows = part.rows
        numbers = [_is_numeric([row[column] for row in rows]) for column in range(len(head))]  # fmt: skip
        return {"head": head, "rows": rows, "numbers": numbers, "text": ""}
    return {"head": (), "text": "" if part == report.verdict else part}


def _is_numeric(cells: list[str]) -> bool:
    """True for a column of numbers, intervals and gaps."""
    return any(c != "-" for c in cells) and all(map(_NUMBERS.fullmatch, cells))
