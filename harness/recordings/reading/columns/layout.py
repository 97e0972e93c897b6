"""How a CSV file is laid out: preamble, names, separator, decimal mark, units.

Instruments differ in all of it, so nothing is assumed: the rows of numbers are found
first, and what stands above them is searched for names and units.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from harness.recordings.problems import unreadable

_HEAD_BYTES = 1 << 18
_ROWS_WANTED = 3
_ROWS_LOOKED_AT = 100
"""Rows in which a column without any number is taken for a trailing separator."""
_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "\u00b5s": 1e-6,
    "\u03bcs": 1e-6,
    "ns": 1e-9,
    "ps": 1e-12,
    "v": 1.0,
    "mv": 1e-3,
    "volt": 1.0,
    "volts": 1.0,
    "kv": 1e3,
}
_IN_BRACKETS = re.compile(r"[\[(]\s*([^\])]+?)\s*[\])]")
_SUFFIX = re.compile(r"[_/ ]\s*(\S+)$")
_TIME_NAMES = re.compile(
    r"time|zeit|temps|tempo|^t$|^x$|x-axis|^s$|second|^t_", re.IGNORECASE
)
_INCREMENT = re.compile(
    r"increment|sampling (?:interval|period)|sample interval|x ?inc", re.IGNORECASE
)
_RATE = re.compile(r"sampl(?:e|ing) ?(?:rate|frequency)", re.IGNORECASE)
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_CLIPPED = re.compile(r"[-+]?inf(?:inity)?|nan", re.IGNORECASE)
"""What instruments write for a voltage beyond their range, or for none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnLayout:
    """Where the numbers are.

    Attributes:
        delimiter: between columns.
        decimal: decimal mark.
        skipped_lines: lines above the first row of numbers.
        names: one for each column, such as ``CH1`` or ``2``; a trailing empty column
            has the name "".
        time: index of the time column; None where samples are evenly spaced and the
            file states the interval.
        time_unit_s: what a number of the time column is in seconds, or the interval.
        scales: what a number of each column is in volts; 1 for levels.
    """

    delimiter: str
    decimal: str
    skipped_lines: int
    names: tuple[str, ...]
    time: int | None
    time_unit_s: float
    scales: tuple[float, ...]

    @property
    def value_columns(self) -> tuple[int, ...]:
        """Indices of the columns that can be a channel."""
        return tuple(i for i, name in enumerate(self.names) if i != self.time and name)


def read_layout(path: Path) -> ColumnLayout:
    """The layout of a file, from its first lines.

    Raises:
        RecordingUnreadable: no rows of numbers, one column only, or no time.
    """
    with path.open("rb") as file:
        text = file.read(_HEAD_BYTES).decode("utf-8-sig", "replace")
    lines = text.split("\n")
    if len(text.encode()) >= _HEAD_BYTES:
        lines.pop()
    while lines and not lines[-1].strip():
        lines.pop()
    # three rows alike are no accident; a short or damaged file may have one only
    for rows in (_ROWS_WANTED, 1):
        for delimiter, decimal in _forms(lines):
            start = _first_row(lines, delimiter, decimal, rows)
            if start is not None:
                return _layout(lines, start, delimiter, decimal)
    line, column = _first_text(lines)
    raise unreadable(
        path,
        "no rows of numbers with time and level: expected two or more columns",
        line=line,
        column=column,
        hint="separated by comma, semicolon or tab, such as 0.000002,5.0",
    )


def _forms(lines: list[str]) -> list[tuple[str, str]]:
    """Separators that occur, with decimal marks, the less ambiguous first."""
    forms = [("\t", "."), ("\t", ","), (";", "."), (";", ","), (",", ".")]
    return [form for form in forms if any(form[0] in line for line in lines)]


def _first_text(lines: list[str]) -> tuple[int, int]:
    for number, line in enumerate(lines, start=1):
        if line.strip():
            return number, len(line) - len(line.lstrip()) + 1
    return 1, 1


def _numbers(line: str, delimiter: str, decimal: str) -> list[float | None] | None:
    """The numbers of a row, None for an empty cell; None if it is no row of numbers."""
    cells = [cell.strip().strip('"') for cell in line.strip("\r\n").split(delimiter)]
    row: list[float | None] = []
    for cell in cells:
        plain = cell.replace(",", ".") if decimal == "," else cell
        if not cell:
            row.append(None)
        elif _NUMBER.fullmatch(plain) or (row and _CLIPPED.fullmatch(plain)):
            row.append(float(plain))
        else:
            return None
    return row if sum(value is not None for value in row) >= 2 else None


def _first_row(
    lines: list[str], delimiter: str, decimal: str, wanted: int
) -> int | None:
    """Index of the first of some rows of numbers alike (fewer at the file's end)."""
    start, alike = 0, 0
    for at, line in enumerate(lines):
        row = _numbers(line, delimiter, decimal)
        columns = 0 if row is None else len(row)
        if columns != alike:
            start, alike = at, columns
        if alike and at - start + 1 >= wanted:
            return start
    return start if alike else None


def _layout(lines: list[str], start: int, delimiter: str, decimal: str) -> ColumnLayout:
    row = _numbers(lines[start], delimiter, decimal) or []
    later = _numbers(lines[min(start + 1, len(lines) - 1)], delimiter, decimal) or row
    filled = _filled(lines[start : start + _ROWS_LOOKED_AT], row, delimiter, decimal)
    columns = range(len(row))
    heads = [line.strip("\r\n") for line in lines[:start]]
    titles = _cells_above(heads, len(row), delimiter)
    time = _time_column(titles, len(row))
    unit = _unit(titles, time, is_time=True)
    even = _even_interval(heads, lines[start], delimiter, decimal)
    if even and _counts_up(row[0], later[0]) and not _has_time_name(titles, time):
        unit = even  # the first column numbers the samples
    return ColumnLayout(
        delimiter=delimiter,
        decimal=decimal,
        skipped_lines=start,
        names=tuple(_name(titles, i) if filled[i] else "" for i in columns),
        time=time,
        time_unit_s=unit,
        scales=tuple(_unit(titles, i, is_time=False) for i in columns),
    )


def _counts_up(first: float | None, second: float | None) -> bool:
    """True for two numbers such as 0 and 1, or 17 and 18."""
    start = int(first or 0)
    return (first, second) == (start, start + 1)


def _filled(
    lines: list[str], row: list[float | None], delimiter: str, decimal: str
) -> list[bool]:
    """Which columns have a number in any of some rows."""
    rows = [row, *(_numbers(line, delimiter, decimal) or [] for line in lines)]
    alike = [each for each in rows if len(each) == len(row)]
    return [any(each[i] is not None for each in alike) for i in range(len(row))]


def _cells_above(heads: list[str], columns: int, delimiter: str) -> list[list[str]]:
    """The lines just above the rows that have as many cells: names, then units."""
    titles: list[list[str]] = []
    for line in reversed(heads):
        cells = [cell.strip().strip('"').strip() for cell in line.split(delimiter)]
        if len(cells) != columns:
            if line.strip():
                break
            continue
        titles.insert(0, cells)
        if len(titles) == 3:
            break
    # names stand where the time does; what is above may be any text of as many cells
    return sorted(titles, key=lambda cells: not any(map(_is_time_name, cells)))


def _name(titles: list[list[str]], index: int) -> str:
    for cells in titles:
        if cells[index] and cells[index].lower() not in _UNITS:
            return _IN_BRACKETS.sub("", cells[index]).strip() or cells[index]
    # a file that names its columns by their units alone
    return next((cells[index] for cells in titles if cells[index]), str(index + 1))


def _has_time_name(titles: list[list[str]], index: int) -> bool:
    return any(
        "time" in cells[index].lower() or cells[index].lower() in {"s", "second"}
        for cells in titles
    )


def _is_time_name(cell: str) -> bool:
    return bool(_TIME_NAMES.search(_IN_BRACKETS.sub("", cell).strip()))


def _time_column(titles: list[list[str]], columns: int) -> int:
    for cells in titles:
        for index in range(columns):
            if _is_time_name(cells[index]):
                return index
    return 0


def _unit(titles: list[list[str]], index: int, *, is_time: bool) -> float:
    """What a number of a column is in seconds or volts; 1 where nothing is said."""
    for cells in titles:
        text = cells[index]
        stated = _IN_BRACKETS.search(text) or _SUFFIX.search(text)
        word = (stated[1] if stated else text).strip().lower()
        if word in _UNITS and word.endswith("v") != is_time:
            return _UNITS[word]
    return 1.0


def _even_interval(
    heads: list[str], first_row: str, delimiter: str, decimal: str
) -> float:
    """The sampling interval in seconds that the preamble states, or 0."""
    for line, below in pairwise([*heads, first_row]):
        cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
        under = [*below.split(delimiter), *[""] * len(cells)]
        for column, cell in enumerate(cells):
            is_rate = bool(_RATE.search(cell))
            if not is_rate and not _INCREMENT.search(cell):
                continue
            beside = "".join(cells[column + 1 : column + 2])
            inside = (cell.rpartition(":")[2], cell.rpartition("=")[2])
            value = _first_stated((beside, under[column].strip(), *inside), decimal)
            if value:
                return 1 / value if is_rate else value
    return 0.0


def _first_stated(texts: Iterable[str], decimal: str) -> float:
    """The first positive number with its unit, in seconds or hertz; 0 if there is none."""
    values = (_stated(text, decimal) for text in texts)
    return next((value for value in values if value > 0), 0.0)


def _stated(text: str, decimal: str) -> float:
    words = (text.replace(",", ".") if decimal == "," else text).split()
    if not words or not _NUMBER.fullmatch(words[0]):
        return 0.0
    scale = 1.0
    if len(words) > 1:
        units = {**_UNITS, "hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9, "sa/s": 1.0,
                 "ksa/s": 1e3, "msa/s": 1e6, "gsa/s": 1e9}  # fmt: skip
        scale = units.get(words[1].lower(), 0.0)
    return float(words[0]) * scale
