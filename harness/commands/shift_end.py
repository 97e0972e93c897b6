"""The end of a shift on standard output: in lines, quiet, or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from pathlib import Path

from harness.commands.base import (
    print_json,
    print_lines,
    print_texts,
    show_results,
)
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.shifts import FailedUnit, ShiftAnswer
from harness.results.reasons import reason_words
from harness.results.summary.lines import ScreenLine
from harness.station.shift.tally import Counts, summary_lines


def show_shift(
    counts: Counts,
    remarks: Sequence[str],
    folder: Path,
    style: OutputStyle,
    *,
    command: str,
    code: int,
    left_on: Sequence[str] = (),
) -> None:
    """Show how a shift ended; what may still be on is the last of all.

    Args:
        counts: the shift's.
        remarks: what did not end as it should.
        folder: the shift's folder.
        style: how to print it.
        command: the command that answers.
        code: its exit code.
        left_on: instruments that may still be on, a sentence each.
    """
    if style.json:
        print_json(_answer(counts, remarks, folder, command=command, code=code))
        print_lines((ScreenLine(line) for line in left_on), error=True)
        return
    lines = summary_lines(counts)
    print_texts(islice(lines, 1) if style.quiet else (*lines, *remarks))
    show_results(folder, style, simulated=counts.simulated > 0)
    print_texts(left_on)


def _answer(
    counts: Counts, remarks: Sequence[str], folder: Path, *, command: str, code: int
) -> ShiftAnswer:
    return ShiftAnswer(
        command=command,
        exit_code=code,
        results=str(folder),
        simulated=counts.simulated > 0,
        units=counts.units,
        passed=counts.passed,
        failed=counts.failed,
        first_passed=counts.first_passed,
        tests=counts.tests,
        errors=counts.errors,
        units_per_hour=counts.units_per_hour,
        failed_units=tuple(
            FailedUnit(
                unit=test.key,
                position=test.unit.place,
                step=test.reason.step,
                reason=test.reason.message or reason_words(test.reason.kind),
                look_first=test.reason.hint,
            )
            for test in counts.failed_units
        ),
        remarks=tuple(remarks),
    )
