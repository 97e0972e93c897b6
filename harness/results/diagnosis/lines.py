"""Projection to text: the one page that a diagnosis ends on."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results.diagnosis.page import (
    NO_FAULT,
    NOTHING,
    DiagnosisPage,
    Found,
    pages_of,
)
from harness.results.record.run import RunRecord
from harness.results.wording import one_line


def diagnosis_lines(record: RunRecord) -> list[str]:
    """The page of every diagnosis in a run; empty if there was none."""
    return [one_line(line) for page in pages_of(record) for line in _page(page)]


def _page(page: DiagnosisPage) -> Iterator[str]:
    none = NO_FAULT if page.findings else NOTHING
    heading = page.heading.replace("Diagnosis", "DIAGNOSIS", 1)
    yield heading if page.faulty else f"{heading}: {none}"
    for number, finding in enumerate(page.findings, start=1):
        yield from _finding(number, finding)
    if page.ruled_out:
        yield f"ruled out: {'; '.join(page.ruled_out)}"
    for standing, codes in page.standings:
        yield f"{standing}: {', '.join(codes)}"
    for probe in page.probes:
        if probe.broke_off:  # what went to its end stands in report.html
            yield f"aborted: {probe.name}, {probe.did}: {probe.broke_off}"


def _finding(number: int, finding: Found) -> Iterator[str]:
    yield f"{number}. {finding.short}"
    yield f"   {finding.summary}"
    for label, text in finding.points:
        yield f"   {label}: {text}"
    yield f"   look first: {finding.try_first}"
