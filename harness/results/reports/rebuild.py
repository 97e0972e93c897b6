"""Rebuilds the reports of a run from its journal alone."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

from harness.errors import UsageError
from harness.lazy import STATISTICS, require
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.journal.writer import read_events
from harness.results.plots import run as plots
from harness.results.record.run import RunRecord, not_as_written
from harness.results.reports import html, junit, table
from harness.results.reports.unwritten import unwritten
from harness.results.timing import timing_lines, timing_rows


def read_record(journal_path: Path) -> RunRecord:
    """The run record of a journal.

    Raises:
        UsageError: the file is no journal, or was edited.
    """
    try:
        return RunRecord.from_events(read_events(journal_path))
    except UsageError as exc:
        if str(journal_path) in exc.where:
            raise
        raise UsageError(
            exc.what, where=f"{journal_path}, {exc.where}", hint=exc.hint
        ) from exc


def rebuild(
    journal_path: Path, out_dir: Path, *, case_properties: bool = False
) -> RunRecord:
    """Write every report of a run into ``out_dir``, from its journal alone.

    The same journal gives the same bytes, however often it is done.

    Args:
        journal_path: a ``journal.jsonl``, whole or cut.
        out_dir: made if need be.
        case_properties: see ``junit.write_junit``.

    Raises:
        UsageError: the journal or the folder cannot be used; nothing is half-written.
        HostError: the disk is full or fails; the journal is as it was.
    """
    record = read_record(journal_path)
    if record.soaks or any(step.kind == "diagnose" for step in record.steps):
        require(STATISTICS)
    try:
        for _ in all_lines(record):
            pass  # what a terminal cannot be shown is found before anything is written
        out_dir.mkdir(parents=True, exist_ok=True)
        junit.write_junit(
            record, out_dir / junit.FILE_NAME, case_properties=case_properties
        )
        drawn = plots.draw(record, out_dir)
        html.write_html(record, out_dir / html.FILE_NAME, drawn=drawn)
    except OSError as exc:
        cure = f"the journal has every result: slotproof report {journal_path}"
        raise unwritten(exc, what="the reports", folder=out_dir, cure=cure) from exc
    except Exception as exc:
        raise cannot_be_shown(journal_path, exc) from exc
    return record


def all_lines(record: RunRecord) -> Iterator[str]:
    """Everything that a terminal may be shown of a run."""
    yield from table.plain_lines(record)
    yield from diagnosis_lines(record)
    yield from timing_lines(timing_rows(record))
    for _, result in record.results:
        yield from plots.shmoo_lines(result)


def cannot_be_shown(journal_path: Path, fault: Exception) -> UsageError:
    """Name the line of a journal with which its report can no longer be made.

    Sought by halving: up to ``good`` lines a report can be made, up to ``bad`` it cannot.
    """
    good, bad = 0, sum(1 for _ in read_events(journal_path))
    while bad - good > 1:
        middle = (good + bad) // 2
        if _can_be_shown(journal_path, middle):
            good = middle
        else:
            bad = middle
    event = next(itertools.islice(read_events(journal_path), bad - 1, None))
    return not_as_written(fault, event)


def _can_be_shown(journal_path: Path, lines: int) -> bool:
    try:
        events = itertools.islice(read_events(journal_path), lines)
        record = RunRecord.from_events(events)
        for _ in all_lines(record):
            pass
        html.render(record)
    except Exception:  # noqa: BLE001 - whatever it is, it cannot be shown
        return False
    return True
