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
    simulated: bool = False,
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
        simulated: true if the bench is simulated, whether or not a unit came to a verdict.
    """
    simulated = simulated or counts.simulated > 0
    if style.json:
        print_json(
            _answer(
                counts, remarks, folder, command=command, code=code, simulated=simulated
            )
        )
        print_lines((ScreenLine(line) for line in left_on), error=True)
        return
    lines = summary_lines(counts)
    print_texts(islice(lines, 1) if style.quiet else (*lines, *remarks))
    show_results(folder, style, simulated=simulated)
    print_texts(left_on)


def _answer(
    counts: Counts,
    remarks: Sequence[str],
    folder: Path,
    *,
    command: str,
    code: int,
    simulated: bool,
) -> ShiftAnswer:
    return ShiftAnswer(
        command=command,
        exit_code=code,
        results=str(folder),
        simulated=simulated,
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
