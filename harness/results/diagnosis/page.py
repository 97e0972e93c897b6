"""A diagnosis as one page: causes in their rank, what was ruled out, what was done.

From the journal alone, for the terminal and for the report.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from harness.diagnosis.diagnosis import Diagnosis
from harness.diagnosis.evidence.bus import ProbeNote
from harness.diagnosis.finding import NO_VERDICT, Confidence, Finding, FindingSeverity
from harness.records import Outcome
from harness.results.diagnosis.numbers import NumbersTable, tables_of
from harness.results.record.evidence import diagnosis_of
from harness.results.record.run import RunRecord
from harness.results.reports.wording import step_name

NOTHING = "nothing wrong was found"
NO_FAULT = "nothing that spoils readings was found"
"""Where there are warnings or notes below."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One finding in words.

    Attributes:
        title: cause, kind, how sure, and the device if it is about one.
        outcome: word of the verdict that it stands for, for the colour.
        summary: one sentence for a technician.
        points: label and text: numbers, what they rule out, what would discriminate.
        try_first: one thing to do.
    """

    title: str
    outcome: str
    summary: str
    points: tuple[tuple[str, str], ...]
    try_first: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosisPage:
    """One diagnosis, ready for a template.

    Attributes:
        of: step and device that it belongs to.
        faulty: True if a fault was found.
        findings: in their rank.
        ruled_out: causes that the evidence speaks against.
        standings: standing of ROM codes over the scans, and the codes.
        probes: what was done, in its order.
        tables: the numbers behind it.
    """

    of: str
    faulty: bool
    findings: tuple[Found, ...]
    ruled_out: tuple[str, ...]
    standings: tuple[tuple[str, tuple[str, ...]], ...]
    probes: tuple[ProbeNote, ...]
    tables: tuple[NumbersTable, ...]


def pages_of(record: RunRecord) -> tuple[DiagnosisPage, ...]:
    """The page of every diagnosis in a run, in order; empty if there was none."""
    pages = []
    for step, result in record.results:
        found = diagnosis_of(result.shown)
        if found is not None:
            device = f" {result.device.label}" if result.device else ""
            pages.append(_page(found, f"{step_name(step)}{device}"))
    return tuple(pages)


def _page(found: Diagnosis, of: str) -> DiagnosisPage:
    evidence = found.evidence
    return DiagnosisPage(
        of=of,
        faulty=any(f.severity is FindingSeverity.FAULT for f in found.findings),
        findings=tuple(map(_finding, found.findings)),
        ruled_out=found.ruled_out,
        standings=tuple(_standings(evidence.inventory)),
        probes=evidence.probes,
        tables=tuple(tables_of(evidence)),
    )


def findings_of(found: Diagnosis) -> tuple[Found, ...]:
    """The faults of a diagnosis, in their rank."""
    return tuple(
        _finding(f) for f in found.findings if f.severity is FindingSeverity.FAULT
    )


def _finding(finding: Finding) -> Found:
    device = f", device {finding.device}" if finding.device else ""
    # a note claims no trouble, so that there is nothing to be sure of
    confidence = (
        "" if finding.severity is FindingSeverity.NOTE else f"{finding.confidence} "
    )
    return Found(
        title=f"{finding.cause} ({finding.kind}), {confidence}{finding.severity}{device}",
        outcome=str(_outcome(finding)),
        summary=finding.summary,
        points=tuple(_points(finding)),
        try_first=finding.try_first,
    )


def _outcome(finding: Finding) -> Outcome:
    if finding.severity is not FindingSeverity.FAULT:
        return Outcome.SKIPPED
    return Outcome.ERROR if finding.cause in NO_VERDICT else Outcome.FAILED


def _points(finding: Finding) -> Iterator[tuple[str, str]]:
    if finding.severity is not FindingSeverity.NOTE:
        yield "how sure", _how_sure(finding)
    for label, texts in (
        ("why not", finding.ruled_out),
        ("could also be", finding.discriminators),
        ("measured", finding.measured),
        ("brings about", finding.follows),
    ):
        yield from ((label, text) for text in texts)


def _how_sure(finding: Finding) -> str:
    """What its confidence rests on, in words."""
    others = len(finding.discriminators)
    if finding.confidence is Confidence.CERTAIN:
        named = "; each is named below with its number" if finding.ruled_out else ""
        return f"certain: a measurement excludes whatever else makes this{named}"
    if not others:
        return f"{finding.confidence}: what else could make this was not measured"
    them = "another cause" if others == 1 else f"{others} other causes"
    if finding.confidence is Confidence.LIKELY:
        return (
            f"likely: it explains most of what was seen; {them} cannot be excluded yet"
        )
    return (
        f"undecided: {them} would explain as much; what would tell is said beside each"
    )


def _standings(inventory: Mapping[str, str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for standing in sorted(set(inventory.values())):
        yield standing, tuple(c for c, what in inventory.items() if what == standing)
