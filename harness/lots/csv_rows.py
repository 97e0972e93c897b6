"""Rows of CSV files, with the place of each mistake.

Lines at the top that begin with # are for people, such as where the values come from.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from harness.errors import UsageError
from harness.quality.gauge import GaugeReading


def read_rows(
    path: Path, *, columns: Sequence[str]
) -> Iterator[tuple[str, dict[str, str]]]:
    """Rows of a CSV file with the place of each for messages.

    Args:
        path: the file, UTF-8.
        columns: names that must be there; others may be.

    Raises:
        UsageError: the file cannot be read, lacks a column, or a row lacks a field.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            head, above = _head(stream)
            reader = csv.DictReader(itertools.chain([head], stream))
            missing = [c for c in columns if c not in (reader.fieldnames or ())]
            if missing:
                raise UsageError(
                    f"there is no column {missing[0]!r}",
                    where=f"{path}:{above + 1}",
                    hint=f"the first line names the columns: {', '.join(columns)}",
                )
            for row in reader:
                where = f"{path}:{above + reader.line_num}"
                if any(not (row[column] or "").strip() for column in columns):
                    raise UsageError("a field of this row is empty", where=where)
                yield where, {k: (v or "").strip() for k, v in row.items() if k}
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else exc
        raise UsageError(f"the file cannot be read: {reason}", where=str(path)) from exc


def _head(stream: TextIO) -> tuple[str, int]:
    """The line of column names, and how many lines for people stand above it."""
    above = 0
    while (line := stream.readline()).startswith("#"):
        above += 1
    return line, above


def number_of(text: str, *, where: str) -> float:
    """A finite number from a CSV field.

    Raises:
        UsageError: it is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(
            f"{text!r} is no number",
            where=where,
            hint="write numbers with a decimal point; leave void readings out",
        )
    return value


def read_study(path: Path) -> list[GaugeReading]:
    """Readings of a gauge study: columns ``part``, ``station`` and ``value``.

    Raises:
        UsageError: the file cannot be read, or a value is no number.
    """
    return [
        GaugeReading(
            part=row["part"],
            station=row["station"],
            value=number_of(row["value"], where=where),
        )
        for where, row in read_rows(path, columns=("part", "station", "value"))
    ]
