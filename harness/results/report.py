"""Rebuilds the reports of a run from its journal alone."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError
from harness.results import html, junit, plots
from harness.results.journal import read_events
from harness.results.record import RunRecord


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
    """
    record = read_record(journal_path)
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        junit.write_junit(
            record, out_dir / junit.FILE_NAME, case_properties=case_properties
        )
        plots.draw(record, out_dir)
        html.write_html(record, out_dir / html.FILE_NAME)
    except OSError as exc:
        raise UsageError(
            f"the reports cannot be written: {exc.strerror}",
            where=str(out_dir),
            hint="name a folder that you may write to",
        ) from exc
    return record
