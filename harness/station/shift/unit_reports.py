"""junit.xml and report.html of each unit of a shift, beside its journal.

Both can be made again from the journal, so a disk that does not take them stops no
shift. A unit that passed gets its page without pictures: a line of hundreds of units
would draw for minutes what its tables say already.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from harness.errors import UsageError
from harness.records import Outcome
from harness.results.journal.writer import FILE_NAME as JOURNAL_FILE
from harness.results.plots.run import draw
from harness.results.record.run import RunRecord
from harness.results.reports.html import FILE_NAME as PAGE_FILE
from harness.results.reports.html import write_html
from harness.results.reports.junit import FILE_NAME as JUNIT_FILE
from harness.results.reports.junit import write_junit
from harness.results.reports.rebuild import read_record


def write_unit_reports(record: RunRecord, folder: Path) -> None:
    """Write both files of one unit; a disk that does not take them is passed over."""
    with suppress(OSError):
        write_junit(record, folder / JUNIT_FILE)
        drawn = draw(record, folder) if record.outcome is not Outcome.PASSED else ()
        write_html(record, folder / PAGE_FILE, drawn=drawn)


def complete_unit_reports(shift: Path) -> None:
    """Write both files of each unit that lacks one, such as after a crash.

    A journal that cannot be read is left alone: the shift's page names it.
    """
    for journal in sorted(shift.glob(f"*/{JOURNAL_FILE}")):
        files = (journal.with_name(name) for name in (JUNIT_FILE, PAGE_FILE))
        if not all(path.exists() for path in files):
            with suppress(UsageError):
                write_unit_reports(read_record(journal), journal.parent)
