"""A CSV file as chunks of edges of one channel."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.lazy import RECORDINGS, arrow, arrow_csv, missing
from harness.recordings.problems import RecordingUnreadable, unreadable
from harness.recordings.reading.chunks import HIGH, LevelChunk, Ticks, Volts
from harness.recordings.reading.columns.layout import ColumnLayout, read_layout
from harness.recordings.reading.hysteresis import Hysteresis
from harness.recordings.reading.intervals import common_interval, even_interval
from harness.recordings.reading.main_levels import LevelFinder, Thresholds
from harness.recordings.record.shown import AnalogFacts

BLOCK_BYTES = 1 << 20
"""The library reads 32 blocks ahead: this size bounds its memory, not its speed."""
_MOST_IDLE_BLOCKS = 64
"""Blocks in which the busiest column is looked for."""
TICK_S = 1e-12
"""Times are kept in whole picoseconds: 63 bits of them are 106 days."""

_LARGEST_S = 9.0e6


class ColumnSource:
    """One column of a file.

    Args:
        path: the file.
        channel: name or number (from 1) of a column; empty for the only or busiest.
        thresholds: in volts; None to find them.

    Raises:
        RecordingUnreadable: no rows of numbers, or no such column.
        UsageError: the optional part that reads CSV is not installed.
    """

    def __init__(
        self, path: Path, channel: str = "", thresholds: Thresholds | None = None
    ) -> None:
        self._path = path
        self._layout = read_layout(path)
        self.tick_s = TICK_S
        self.notes: list[str] = []
        self.analog: AnalogFacts | None = None
        self.sample_ticks = 0
        self.bytes_read = 0
        names = self._layout.names
        columns = self._layout.value_columns
        if not columns:
            raise unreadable(path, "there is no column beside the time")
        if channel:
            self._column = _named(path, self._layout, channel)
        else:
            self._column = columns[0] if len(columns) == 1 else self._busiest(columns)
        self.channel = names[self._column]
        self.others = tuple(names[i] for i in columns if i != self._column)
        if self.others and not channel:
            self.notes.append(
                f"column {self.channel} is read, the busiest; others are "
                f"{', '.join(self.others)}: choose one with --channel"
            )
        self._thresholds = thresholds
        self._only_levels = True

    def _busiest(self, columns: tuple[int, ...]) -> int:
        """The column with the most edges in the first block in which one has any.

        Edges between two levels as they will be read: an idle input shows noise, which
        crosses its own middle more often than a data line does, and has no two levels.
        """
        blocks = _Blocks(self._path, self._layout, columns)
        for block in islice(blocks, _MOST_IDLE_BLOCKS):
            times = self._ticks(block, blocks)
            edges = {i: self._edges(times, block, i) for i in columns}
            if any(edges.values()):
                return max(columns, key=lambda i: edges[i])
        return columns[0]

    def _edges(self, times: Ticks, block: _Block, column: int) -> int:
        """Edges of a column in a block."""
        volts = block.columns[column] * self._layout.scales[column]
        if (empty := block.empty.get(column)) is not None:
            times, volts = times[~empty], volts[~empty]
        finder = LevelFinder(self.tick_s)
        finder.feed(times, volts)
        thresholds = finder.thresholds()
        if thresholds is None:
            return 0
        found = Hysteresis(thresholds, self.tick_s).feed(times, volts, int(times[-1]))
        return len(found.levels) - 1

    def chunks(self) -> Iterator[LevelChunk]:
        """The edges of the column.

        Raises:
            RecordingUnreadable: a damaged row, or time going backwards, with its line.
        """
        thresholds = self._found()
        if thresholds is None:
            yield from self._without_edges()
            return
        if not self._only_levels:
            self.analog = thresholds.facts()
        hysteresis = Hysteresis(thresholds, self.tick_s)
        for times, volts in self._samples():
            if self.analog and not self.sample_ticks:
                self.sample_ticks = common_interval(times)
            found = hysteresis.feed(times, volts, int(times[-1]))
            yield (
                found
                if self.analog
                else replace(found, before_v=None, rises=None, falls=None)
            )

    def _without_edges(self) -> Iterator[LevelChunk]:
        """How long a level lasted that never changed."""
        has_level = False
        for times, volts in self._samples():
            has_level = has_level or bool(np.isfinite(volts).any())
            yield LevelChunk(
                times=times[:1], levels=np.array([HIGH], np.int8), end=int(times[-1])
            )
        if not has_level:
            self.notes.append(
                f"{self.channel} has no voltage: all is beyond the recorder's range"
            )

    def _found(self) -> Thresholds | None:
        """The thresholds: given, of levels, or between the main levels."""
        finder = LevelFinder(self.tick_s)
        found = False
        for times, volts in self._samples():
            self._only_levels &= bool(np.isin(volts[~np.isnan(volts)], (0, 1)).all())
            found = finder.feed(times, volts) or found
            if found:
                break
        if found and self._only_levels:
            return Thresholds(
                falls_below_v=0.3, rises_above_v=0.7, low_v=0.0, high_v=1.0
            )
        between = finder.thresholds()
        if self._thresholds is None or between is None:
            return between
        given = self._thresholds
        return Thresholds(
            falls_below_v=given.falls_below_v,
            rises_above_v=given.rises_above_v,
            low_v=between.low_v,
            high_v=between.high_v,
            step_v=between.step_v,
            from_fixture=given.from_fixture,
            from_receiver=given.from_receiver,
            window_v=given.window_v,
        )

    def _samples(self) -> Iterator[tuple[Ticks, Volts]]:
        scale = self._layout.scales[self._column]
        blocks = _Blocks(self._path, self._layout, (self._column,))
        last = -(2**62)
        for block in blocks:
            times = self._ticks(block, blocks)
            last = self._require_ascending(times, last, block)
            volts = block.columns[self._column] * scale
            if (empty := block.empty.get(self._column)) is not None:
                self._require_other_columns(empty, block, blocks)
                times, volts = times[~empty], volts[~empty]
            if not self.sample_ticks and len(times) > 2:
                self.sample_ticks = even_interval(times)
            self.bytes_read = blocks.bytes_read
            if len(times):
                yield times, volts

    def _require_other_columns(
        self, empty: NDArray[np.bool_], block: _Block, blocks: _Blocks
    ) -> None:
        """A row without a value is damage, unless it has that of another channel."""
        if len(self._layout.value_columns) > 1:
            return
        line = block.line + int(np.flatnonzero(empty)[0])
        raise blocks.located(line, "there is no value in this row")

    def _ticks(self, block: _Block, blocks: _Blocks) -> Ticks:
        seconds = block.columns[blocks.time] * self._layout.time_unit_s
        beyond = ~(np.abs(seconds) < _LARGEST_S)
        if beyond.any():
            raise unreadable(
                self._path,
                f"the time is beyond {_LARGEST_S:g} s",
                line=block.line + int(np.flatnonzero(beyond)[0]),
                column=1,
                hint="is the time column in another unit?",
            )
        return np.rint(seconds / TICK_S).astype(np.int64)

    def _require_ascending(self, times: Ticks, last: int, block: _Block) -> int:
        if not len(times):
            return last
        steps = np.diff(times, prepend=last)
        if (steps < 0).any():
            at = int(np.flatnonzero(steps < 0)[0])
            raise unreadable(
                self._path,
                f"time goes backwards: {times[at] * TICK_S:.9g} s after "
                f"{(times[at] - steps[at]) * TICK_S:.9g} s",
                line=block.line + at,
                column=1,
            )
        if len(steps) > 8 and np.count_nonzero(steps == 0) > len(steps) // 2:
            at = int(np.flatnonzero(steps == 0)[0])
            raise unreadable(
                self._path,
                "the time column has too few digits to tell samples apart",
                line=block.line + at,
                column=1,
                hint="export it with more digits",
            )
        return int(times[-1])


@dataclass(frozen=True, slots=True)
class _Block:
    """Rows of a block.

    Attributes:
        columns: by index.
        empty: rows in which a channel has no value, of columns that have such rows: the
            others were sampled more often.
        line: of the first row.
    """

    columns: dict[int, NDArray[np.float64]]
    empty: dict[int, NDArray[np.bool_]]
    line: int


class _Blocks:
    """Columns of a file, block by block, by a fast reader; a bad row is found slowly."""

    def __init__(
        self, path: Path, layout: ColumnLayout, columns: tuple[int, ...]
    ) -> None:
        self._path = path
        self._layout = layout
        self.time = layout.time if layout.time is not None else -1
        wanted = set(columns) | {self.time}
        self._wanted = sorted(i for i in wanted if i >= 0)
        self.bytes_read = 0

    def __iter__(self) -> Iterator[_Block]:
        _require_pyarrow()
        layout = self._layout
        keys = [f"c{i}" for i in range(len(layout.names))]
        kept = [keys[i] for i in self._wanted]
        line = layout.skipped_lines + 1
        try:
            with self._path.open("rb") as file:
                for _ in range(layout.skipped_lines):
                    file.readline()
                reader = arrow_csv.open_csv(
                    file,
                    read_options=arrow_csv.ReadOptions(
                        column_names=keys, block_size=BLOCK_BYTES, use_threads=False
                    ),
                    parse_options=arrow_csv.ParseOptions(delimiter=layout.delimiter),
                    convert_options=arrow_csv.ConvertOptions(
                        include_columns=kept,
                        column_types={key: arrow.float64() for key in kept},
                        decimal_point=layout.decimal,
                        # not "nan": that is a value which is unknown
                        null_values=[""],
                    ),
                )
                for batch in reader:
                    columns, empty = {}, {}
                    for i, key in zip(self._wanted, kept, strict=True):
                        cells = batch.column(key)
                        columns[i] = cells.to_numpy(zero_copy_only=False)
                        if cells.null_count:
                            empty[i] = cells.is_null().to_numpy(zero_copy_only=False)
                    rows = batch.num_rows
                    self._require_times(columns, line)
                    self.bytes_read = (
                        min(file.tell(), self.bytes_read + batch.nbytes * 2)
                        or file.tell()
                    )
                    if rows:
                        yield _Block(columns, empty, line)
                    line += rows
        except arrow.ArrowInvalid as fault:
            raise self.located(line, str(fault)) from None

    def _require_times(
        self, columns: dict[int, NDArray[np.float64]], line: int
    ) -> None:
        times = columns.get(self.time)
        if times is None or not (missing := np.isnan(times)).any():
            return
        raise unreadable(
            self._path,
            "there is no time in this row",
            line=line + int(np.flatnonzero(missing)[0]),
            column=1,
        )

    def located(self, line: int, fault: str) -> RecordingUnreadable:
        """The first bad row from a line on, read cell by cell."""
        layout = self._layout
        with self._path.open("r", encoding="utf-8-sig", errors="replace") as file:
            for number, text in enumerate(islice(file, line - 1, None), start=line):
                column = _bad_column(text, layout, self._wanted)
                if text.strip() and column:
                    return unreadable(
                        self._path,
                        f"expected {len(layout.names)} numbers, got {text.strip()[:40]!r}",
                        line=number,
                        column=column,
                        hint="" if text.endswith("\n") else _CUT,
                    )
        return unreadable(self._path, fault, line=line, column=1)


_CUT = "the file ends within this row: export it again, or delete the row"


def _bad_column(text: str, layout: ColumnLayout, wanted: list[int]) -> int:
    """Column of the first character that is wrong, 0 if the row is in order."""
    cells = text.rstrip("\r\n").split(layout.delimiter)
    if len(cells) != len(layout.names):
        return len(text.rstrip("\r\n")) + 1
    for index in wanted:
        cell = cells[index].strip().strip('"')
        try:
            float(cell.replace(",", ".") if layout.decimal == "," else cell)
        except ValueError:
            return sum(len(c) + 1 for c in cells[:index]) + 1
    return 0


def _require_pyarrow() -> None:
    try:
        getattr(arrow, "__version__")  # noqa: B009 - loads it, where it is installed
    except ImportError:
        raise missing(RECORDINGS, instead="export the recording as VCD") from None


def _named(path: Path, layout: ColumnLayout, wanted: str) -> int:
    columns = layout.value_columns
    for index in columns:
        if layout.names[index] == wanted:
            return index
    if wanted.isdigit() and int(wanted) - 1 in columns:
        return int(wanted) - 1
    shown = ", ".join(f"{layout.names[i]} (column {i + 1})" for i in columns)
    raise unreadable(
        path, f"there is no channel {wanted!r}", hint=f"channels are {shown}"
    )
