"""Projection to JUnit XML, in the profile that every common reader takes.

Rule 1: valid by the strictest common reader's schema (the one that the xUnit plugin
of a CI server carries as ``junit-10``) unless case properties are asked for.
Rule 2: one suite a run, one case a step and device. Names hold the step, its title
and the socket (the ROM code where there is no socket), never a value, time or count,
so that a case has a history from run to run.
Rule 3: a failed or broken case has one verdict child with type, message, and a text
whose first line repeats the message; measured values stand one a line in system-out.
Rule 4: retries are written as a well-known build tool for Java does: ``flakyFailure``
beside a pass; the first try as ``failure`` and the others as ``rerunFailure``.
Rule 5: every string passes the filter of ``harness.results.wording``; counts are
taken from the elements written; times have three decimals.
"""

from __future__ import annotations

import io
import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from junitparser import Error, Failure, Skipped
from junitparser.junitparser import FinalResult
from junitparser.xunit2 import (
    FlakyError,
    FlakyFailure,
    InterimResult,
    JUnitXml,
    RerunError,
    RerunFailure,
    TestCase,
    TestSuite,
)

from harness.records import Attempt, Outcome
from harness.results.reasons import reason_words
from harness.results.record.device_tally import DeviceResult
from harness.results.record.facts import run_facts
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, StepRecord
from harness.results.reports.whole_file import whole_file
from harness.results.wording import (
    one_line,
    retries_text,
    safe_text,
    scalar_text,
    step_name,
    tries_text,
    value_rows,
)

FILE_NAME = "junit.xml"

_LONGEST_EVIDENCE = 400


class _Seconds(float):
    """Seconds that print with three decimals, never as ``1e-05``."""

    def __str__(self) -> str:
        return f"{self:.3f}"


def write_junit(
    record: RunRecord, path: Path, *, case_properties: bool = False
) -> None:
    """Write the record as JUnit XML.

    The file appears whole or not at all, and the same record gives the same bytes.

    Args:
        record: the run.
        path: the file; its folder must exist.
        case_properties: measured values as properties of each case too. Some
            readers show them; the strict schema refuses them.

    Raises:
        OSError: the file cannot be written.
    """
    _replace(path, _tree(record, case_properties=case_properties))


def _tree(record: RunRecord, *, case_properties: bool) -> ET.ElementTree[Any]:
    suite = _suite(record, case_properties=case_properties)
    root = JUnitXml()
    root.add_testsuite(suite)
    root.name = _suite_name(record)
    root.tests, root.failures, root.errors = suite.tests, suite.failures, suite.errors
    root.time = suite.time = _Seconds(suite.time)
    raw = io.BytesIO()
    root.write(raw)
    # indented by a second parser: what it cannot read is never put in place
    tree = ET.ElementTree(ET.fromstring(raw.getvalue()))
    ET.indent(tree)
    return tree


def _replace(path: Path, tree: ET.ElementTree[Any]) -> None:
    with whole_file(path) as part, part.open("wb") as stream:
        tree.write(stream, encoding="utf-8", xml_declaration=True)
        stream.write(b"\n")
        stream.flush()
        os.fsync(stream.fileno())


def _suite_name(record: RunRecord) -> str:
    return one_line(f"{record.plan.title} on {record.fixture.title}")


def _suite(record: RunRecord, *, case_properties: bool) -> TestSuite:
    package = f"slotproof.{slug(record.plan.title or 'plan')}"
    suite = TestSuite(_suite_name(record))  # type: ignore[no-untyped-call]
    suite.package = one_line(package)
    suite.id = "0"
    suite.hostname = one_line(record.host) or "localhost"
    # to the second: several readers refuse a fraction
    suite.timestamp = one_line(re.sub(r"\.\d+", "", record.started_at))
    for name, value in run_facts(record):
        suite.add_property(one_line(name), safe_text(value))
    suite.add_testcases(
        [
            _case(step, result, name, package, with_properties=case_properties)
            for step, result, name in _named(record)
        ]
    )
    return suite


def _named(record: RunRecord) -> Iterable[tuple[StepRecord, DeviceResult, str]]:
    """Each result with a name that no other case has."""
    taken: set[str] = set()
    for step in record.steps:
        sockets = Counter(r.device.socket for r in step.results if r.device)
        for result in step.results:
            name = wanted = _case_name(step, result, sockets)
            number = 1
            while name in taken:
                number += 1
                name = f"{wanted} ({number})"
            taken.add(name)
            yield step, result, name


def _case_name(step: StepRecord, result: DeviceResult, sockets: Counter[str]) -> str:
    name = step_name(step)
    if (device := result.device) is None:
        return name
    where = device.socket or device.rom_code
    if sockets[device.socket] > 1:
        where = device.label
    return f"{name} [{one_line(where)}]"


def slug(text: str) -> str:
    """Stable part of a dotted name: letters, digits and ``_``, nothing else."""
    return re.sub(r"\W+", "_", text.casefold()).strip("_") or "unnamed"


def _case(
    step: StepRecord,
    result: DeviceResult,
    name: str,
    package: str,
    *,
    with_properties: bool,
) -> TestCase:
    case = TestCase(name, one_line(f"{package}.{slug(step.kind or 'step')}"))
    case.time = _Seconds(result.duration_s)
    if with_properties:
        for row in value_rows(result):
            value = f"{row.value} {row.unit} ({row.limits}) {row.verdict}"
            case.add_property(row.name, value)
    _put_verdict(case, result)
    case.system_out = "\n".join(_output(result))
    return case


def _put_verdict(case: TestCase, result: DeviceResult) -> None:
    shown = result.shown
    if result.outcome is Outcome.SKIPPED:
        case.result = Skipped(one_line(shown.message) or "skipped", None)
    elif result.outcome in BAD_OUTCOMES:
        _put_failure(case, result)
    else:
        for attempt in result.attempts:
            kind = FlakyError if attempt.outcome is Outcome.ERROR else FlakyFailure
            case.add_interim_result(_interim(kind, attempt))


def _put_failure(case: TestCase, result: DeviceResult) -> None:
    """The first attempt that ended as the verdict does, then the others in order."""
    shown = result.shown
    last = Attempt(
        outcome=shown.outcome,
        kind=shown.kind,
        message=shown.message or reason_words(shown.kind),
    )
    tries = [*shown.retries, last]
    first = next(n for n, t in enumerate(tries) if t.outcome is shown.outcome)
    verdict: FinalResult = (Error if shown.outcome is Outcome.ERROR else Failure)(
        _message(tries[first]), _type(tries[first])
    )
    verdict.text = "\n".join(_reason(tries[first], last, result))
    case.result = verdict
    for attempt in tries[:first] + tries[first + 1 :]:
        kind = RerunError if attempt.outcome is Outcome.ERROR else RerunFailure
        case.add_interim_result(_interim(kind, attempt))


def _reason(first: Attempt, last: Attempt, result: DeviceResult) -> Iterable[str]:
    yield _message(first)
    if _message(last) != _message(first):
        yield f"last try: {_message(last)}"
    if result.shown.hint:
        yield f"hint: {one_line(result.shown.hint)}"
    yield from (row.line for row in value_rows(result))


def _interim(kind: type[InterimResult], attempt: Attempt) -> InterimResult:
    interim = kind(_message(attempt), _type(attempt))
    interim.stack_trace = _message(attempt)
    return interim


def _message(attempt: Attempt) -> str:
    return one_line(attempt.message) or str(attempt.outcome)


def _type(attempt: Attempt) -> str:
    return one_line(attempt.kind) or str(attempt.outcome)


def _output(result: DeviceResult) -> Iterable[str]:
    """What was measured; the verdict first, since readers cut long texts."""
    shown = result.shown
    verdict = str(result.outcome)
    if result.passed_after_retry:
        verdict = f"passed after {retries_text(result.retries)}"
    yield f"{verdict}: {one_line(shown.message)}" if shown.message else verdict
    yield from (row.line for row in value_rows(result))
    if result.device is not None:
        yield f"device = {one_line(result.device.label)}"
    yield f"tries = {tries_text(result)}"
    if result.rounds > 1:
        ended = ", ".join(f"{n} {outcome}" for outcome, n in result.counts.items())
        yield f"rounds = {ended}; values of round {result.round}"
    if result.retries > len(result.attempts):
        yield f"retries = {result.retries} (the first {len(result.attempts)} are kept)"
    for note in result.notes:
        yield f"note = {one_line(note)}"
    for key, value in shown.evidence.items():
        yield f"evidence {one_line(key)} = {_evidence_text(value)}"


def _evidence_text(value: object) -> str:
    text = one_line(_plain_text(value))
    if len(text) > _LONGEST_EVIDENCE:
        return f"{text[:_LONGEST_EVIDENCE]} ... (whole in the journal)"
    return text


def _plain_text(value: object) -> str:
    """A fact as people write it: ``check-value 3, no-presence 1``, never a Python dict."""
    if isinstance(value, Mapping):
        pairs = (f"{key} {_plain_text(item)}" for key, item in value.items())
        return ", ".join(pairs) or "none"
    if isinstance(value, list | tuple):
        return "; ".join(_plain_text(item) for item in value) or "none"
    if isinstance(value, str | bool | int | float):
        return scalar_text(value)
    return "-" if value is None else str(value)
