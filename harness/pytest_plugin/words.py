"""Verdicts in pytest's reports: headline, lines, properties; errors without traceback."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from _pytest._code.code import (
    ReprEntryNative,
    ReprExceptionInfo,
    ReprFileLocation,
    ReprTraceback,
)

from harness.errors import SlotproofError
from harness.records import CheckResult
from harness.results.record.device_tally import DeviceResult, DeviceTally
from harness.results.wording import one_line, value_rows

_MOST_NAMED = 3
"""Devices that a headline names one by one; the others are counted."""


@contextmanager
def said_in_words() -> Generator[None]:
    """Turn an error of ours into a failure of pytest that shows its words alone."""
    try:
        yield
    except SlotproofError as error:
        pytest.fail(in_words(error), pytrace=False)


def in_words(error: BaseException) -> str:
    """What an error says; several mistakes of a file one a line."""
    problems = getattr(error, "problems", None)
    if problems:
        return "\n".join(str(problem) for problem in problems)
    return str(error)


def by_device(results: list[CheckResult]) -> list[DeviceResult]:
    """Results of a step with the rounds of each device folded together."""
    tallies: dict[object, tuple[DeviceTally, list[int]]] = {}
    for result in results:
        tally, rounds = tallies.setdefault(result.device, (DeviceTally(), [0]))
        rounds[0] += 1
        tally.add(result, round_=rounds[0])
    return [tally.result() for tally, _ in tallies.values()]


def _label(result: DeviceResult) -> str:
    return one_line(result.device.label) if result.device else "bus"


def _bad(results: list[CheckResult]) -> list[DeviceResult]:
    """What did not pass, the gravest first."""
    found = [r for r in by_device(results) if r.outcome in {"failed", "error"}]
    return sorted(found, key=lambda result: -result.outcome.severity)


def whom(results: list[CheckResult]) -> str:
    """Who did not pass: socket and ROM code of the first few."""
    labels = [_label(result) for result in _bad(results)]
    named = ", ".join(labels[:_MOST_NAMED])
    more = len(labels) - _MOST_NAMED
    return f"{named} and {more} more" if more > 0 else named


def headline(results: list[CheckResult]) -> str:
    """The first that is wrong on one line, after whom it is wrong with."""
    first = _bad(results)[0].shown
    return f"{whom(results)}: {one_line(first.message or first.kind)}"


def lines_of(result: DeviceResult) -> Iterator[str]:
    """A verdict with its values, hint and notes."""
    shown = result.shown
    message = f": {one_line(shown.message)}" if shown.message else ""
    yield f"{result.outcome}: {_label(result)}{message}"
    for row in value_rows(result):
        yield f"    {row.line}"
    if shown.hint:
        yield f"    look first: {one_line(shown.hint)}"
    for note in result.notes:
        yield f"    note: {one_line(note)}"


def properties_of(result: DeviceResult) -> Iterator[tuple[str, str]]:
    """A value a property, named by device and quantity; then what else must be known."""
    label = _label(result)
    for row in value_rows(result):
        yield f"{label} {row.name}", row.line.partition(" = ")[2]
    message = f": {one_line(result.shown.message)}" if result.shown.message else ""
    yield f"{label} verdict", f"{result.outcome}{message}"
    for note in result.notes:
        yield f"{label} note", one_line(note)


def repr_of(results: list[CheckResult], path: Path, line: int) -> ReprExceptionInfo:
    """All verdicts of a step that did not pass, under a headline.

    The form is the one of pytest's own that survives the way from a worker process.
    """
    lines = [line for result in by_device(results) for line in lines_of(result)]
    return ReprExceptionInfo(
        reprtraceback=ReprTraceback(
            [ReprEntryNative([f"{text}\n" for text in lines])], None, "native"
        ),
        reprcrash=ReprFileLocation(str(path), line, headline(results)),
    )
