"""`slotproof report`: reports made again, from the journal alone."""

from __future__ import annotations

from pathlib import Path

from harness.commands.base import print_json, show_run
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.runs import RunAnswer
from harness.commands.shift_end import show_shift
from harness.output import say
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.journal.writer import FILE_NAME
from harness.results.reports.rebuild import rebuild
from harness.results.reports.unwritten import unwritten
from harness.results.summary.making import summary_of
from harness.station.shift.page import write_shift_page
from harness.station.shift.record import is_shift, read_shift
from harness.station.shift.unit_reports import complete_unit_reports

EXIT_DAMAGED = 2


def report(
    *, journal: Path, into: Path | None, case_properties: bool, style: OutputStyle
) -> int:
    """Rebuild the reports of a run, or the page of a shift, from journals alone."""
    if journal.is_dir() and not (journal / FILE_NAME).exists() and is_shift(journal):
        return _shift(journal, into or journal, style)
    if journal.is_dir():
        journal /= FILE_NAME
    folder = into or journal.parent
    record = rebuild(journal, folder, case_properties=case_properties)
    code = EXIT_DAMAGED if record.damage else record.exit_code
    if style.json:
        print_json(
            RunAnswer(
                command="report",
                exit_code=code,
                results=str(folder),
                summary=summary_of(record),
            )
        )
    else:
        page = diagnosis_lines(record)
        show_run(record, folder, style, more=page, failures=not page)
    for where in record.damage:
        say(f"slotproof: {where}: this line of the journal cannot be read", err=True)
    return code


def _shift(folder: Path, into: Path, style: OutputStyle) -> int:
    record = read_shift(folder)
    complete_unit_reports(folder)
    try:
        into.mkdir(parents=True, exist_ok=True)
        write_shift_page(record, into, of=folder)
    except OSError as exc:
        cure = f"the journals have every unit: slotproof report {folder}"
        raise unwritten(exc, what="the page", folder=into, cure=cure) from exc
    code = EXIT_DAMAGED if record.unreadable else 0
    show_shift(record.counts, (), into, style, command="report", code=code)
    for name, reason in record.unreadable:
        say(f"slotproof: {name}: {reason}", err=True)
    return code
