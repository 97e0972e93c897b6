"""Rows of CSV files, with line and column of each mistake.

The fields are separated by commas, semicolons or tabs; the head decides which. In a list
with semicolons or tabs a number may have a decimal comma, as spreadsheets of many
countries write it. Lines at the top that begin with # are for people, such as where the
values come from.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from operator import itemgetter
from pathlib import Path
from typing import TextIO

from harness.errors import UsageError
from harness.quality.gauges.gauge import GaugeReading

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}

# What instruments and spreadsheets write, exponents (1.5E-03) included. Python's own
# float() takes more (2_0.5, nan, infinity, digits of other scripts); in a table of
# measured values each of those is a mistake.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(?:[0-9]*,[0-9]+|[0-9]+,)(?:[eE][+-]?[0-9]+)?")


def plain_number(text: str) -> float | None:
    """A finite number with a decimal point; None for any other text."""
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


class CsvTable:
    """The rows of an open CSV file.

    Attributes:
        path: the file.
        columns: index of each column in a row, by name.
    """

    def __init__(self, path: Path, stream: TextIO, columns: Sequence[str]) -> None:
        head, self._above = _head(stream)
        self.path = path
        names, self._separator = _columns(head, columns)
        self.columns = {name: index for index, name in enumerate(names) if name}
        self._width = len(names)
        self._required = [
            self._index_of(name, names, columns, f"{path}:{self._above + 1}")
            for name in columns
        ]
        self._reader = csv.reader(stream, delimiter=self._separator, strict=True)
        self._with_point = self._with_comma = ""

    @staticmethod
    def _index_of(
        name: str, names: Sequence[str], columns: Sequence[str], where: str
    ) -> int:
        if name not in names:
            raise UsageError(
                f"there is no column {name!r}",
                where=where,
                hint=f"the first line names the columns: {', '.join(columns)}",
            )
        if names.count(name) > 1:
            raise UsageError(f"column {name!r} is there twice", where=where)
        return names.index(name)

    def rows(self, *, invalid: str = "") -> Iterator[list[str]]:
        """Each row, its fields as many as the head's and without blanks around them.

        Args:
            invalid: text in the column ``outcome`` with which a row has no value, so that
                its last required column may be empty.

        Raises:
            UsageError: a row has more fields than the head, or lacks a required one.
        """
        width, required = self._width, self._required
        outcome = self.columns.get("outcome") if invalid else None
        needed = itemgetter(*required, required[0])  # twice: always a tuple
        for raw in self._reader:
            if not raw:
                continue
            row = list(map(str.strip, raw))
            if len(row) != width:
                self._require_no_surplus(row)
                row = (row + [""] * width)[:width]
            if "" in needed(row):
                has_value = outcome is None or row[outcome] != invalid
                empty = [index for index in required if not row[index]]
                self._require_no_gap(empty, has_value=has_value)
            yield row

    @property
    def where(self) -> str:
        """File and line of the latest row, for messages."""
        return f"{self.path}:{self._above + 1 + self._reader.line_num}"

    def _require_no_gap(self, empty: list[int], *, has_value: bool) -> None:
        """Only a row without a value may leave the last required column empty."""
        if has_value or empty != self._required[-1:]:
            name = next(n for n, index in self.columns.items() if index == empty[0])
            raise UsageError(
                f"a field of this row is empty: column {name!r}", where=self.where
            )

    def _require_no_surplus(self, row: Sequence[str]) -> None:
        surplus = [field for field in row[self._width :] if field]
        if surplus:
            last = max(self.columns, key=self.columns.__getitem__)
            raise UsageError(
                f"this row has {len(row)} fields, the head names {self._width}: "
                f"{surplus[0]!r} stands behind the last column, {last!r}",
                where=self.where,
                hint="a decimal comma cuts a field in two: write a decimal point, or "
                "separate the fields by semicolons",
            )

    def number(self, text: str, column: str) -> float:
        """A finite number from a field of the latest row.

        Raises:
            UsageError: it is none, or the file mixes decimal points and commas.
        """
        if _NUMBER.fullmatch(text):
            if not self._with_point and "." in text:
                self._with_point = text
                self._require_one_mark()
            value = float(text)
            if math.isfinite(value):
                return value
        elif self._separator != "," and _COMMA_NUMBER.fullmatch(text):
            if not self._with_comma:
                self._with_comma = text
                self._require_one_mark()
            return float(text.replace(",", "."))
        raise UsageError(
            f"{text!r} is no number, in column {column!r}",
            where=self.where,
            hint="write digits with a decimal point, such as 25.61 or 1.5e-3; a decimal "
            "comma only where semicolons separate the fields; leave invalid readings out",
        )

    def _require_one_mark(self) -> None:
        if self._with_point and self._with_comma:
            raise UsageError(
                f"the file has {self._with_point!r} with a decimal point and "
                f"{self._with_comma!r} with a decimal comma",
                where=self.where,
                hint="write all numbers of a file in one way; no marks between thousands",
            )


@contextmanager
def open_table(path: Path, *, columns: Sequence[str]) -> Iterator[CsvTable]:
    """Open a CSV file, UTF-8.

    Args:
        path: the file.
        columns: names that must be there; others may be.

    Raises:
        UsageError: the file cannot be read, or lacks a column.
    """
    table = None
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            table = CsvTable(path, stream, columns)
            yield table
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else exc
        where = table.where if table else str(path)
        raise UsageError(f"the file cannot be read: {reason}", where=where) from exc


def _head(stream: TextIO) -> tuple[str, int]:
    """The line of column names, and how many lines for people stand above it."""
    above = 0
    while (line := stream.readline()).startswith("#"):
        above += 1
    return line, above


def _columns(head: str, wanted: Sequence[str]) -> tuple[list[str], str]:
    """Names of the columns, and the separator that gives the most wanted ones."""
    found = {
        separator: [name.strip() for name in next(csv.reader([head], delimiter=separator), [])]
        for separator in _SEPARATORS
    }  # fmt: skip
    best = max(found, key=lambda separator: len(set(wanted) & set(found[separator])))
    return found[best], best


def read_known(path: Path) -> list[tuple[float, float]]:
    """Known values and readings of a linearity study: columns ``reference``, ``value``.

    Raises:
        UsageError: the file cannot be read, or a field is no number.
    """
    with open_table(path, columns=("reference", "value")) as table:
        reference, value = table.columns["reference"], table.columns["value"]
        return [
            (
                table.number(row[reference], "reference"),
                table.number(row[value], "value"),
            )
            for row in table.rows()
        ]


def read_study(path: Path) -> list[GaugeReading]:
    """Readings of a gauge study: columns ``part``, ``station`` and ``value``.

    Raises:
        UsageError: the file cannot be read, or a value is no number.
    """
    with open_table(path, columns=("part", "station", "value")) as table:
        part, station, value = (table.columns[n] for n in ("part", "station", "value"))
        return [
            GaugeReading(
                part=row[part],
                station=row[station],
                value=table.number(row[value], "value"),
            )
            for row in table.rows()
        ]
