"""A diagnosis as one page: causes in their rank, what was ruled out, what was done.

From the journal alone, for the terminal and for the report.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.diagnosis.diagnosis import Diagnosis
from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.evidence.probed import ProbeNote
from harness.diagnosis.finding import NO_VERDICT, Confidence, Finding, FindingSeverity
from harness.diagnosis.titles import TITLES, title_of, with_title
from harness.records import Outcome
from harness.results.diagnosis.numbers import NumbersTable, standing_words, tables_of
from harness.results.record.evidence import diagnosis_of
from harness.results.record.run import RunRecord
from harness.results.wording import step_name

NOTHING = "nothing wrong was found"
NO_FAULT = "no fault was found"
"""Where there are warnings or notes below."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One finding in words.

    Attributes:
        title: the cause in words, and the device if it is about one.
        outcome: word of the verdict that it stands for, for the colour.
        summary: one sentence for a technician.
        points: label and text: confidence and why not another cause, the numbers, what
            it brings about.
        try_first: one thing to do.
        key: the cause for machines, such as ``supply: third-wire``.
        severity: fault, warning or note.
        confidence: certain, likely or undecided.
    """

    title: str
    outcome: str
    summary: str
    points: tuple[tuple[str, str], ...]
    try_first: str
    key: str
    severity: str
    confidence: str

    @property
    def short(self) -> str:
        """Title, severity and confidence on one line."""
        # a note claims no trouble, so that there is nothing to be sure of
        sure = "" if self.severity == FindingSeverity.NOTE else f", {self.confidence}"
        return f"{self.title} ({self.severity}{sure})"


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnosisPage:
    """One diagnosis, ready for a template.

    Attributes:
        heading: what was examined, and after which step.
        faulty: True if a fault was found.
        findings: in their rank.
        ruled_out: causes that the evidence speaks against.
        standings: standing of ROM codes over the scans, and the codes with their sockets.
        probes: what was done, in its order.
        tables: the numbers behind it.
    """

    heading: str
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
            device = f", {result.device.label}" if result.device else ""
            after = "" if step.kind == _ITSELF else f" after {step_name(step)}{device}"
            pages.append(page_of(found, f"Diagnosis{after}"))
    return tuple(pages)


_ITSELF = "diagnose"
"""The step that does nothing but examine."""


def page_of(found: Diagnosis, heading: str) -> DiagnosisPage:
    """One diagnosis under this heading, in words."""
    evidence = found.evidence
    return DiagnosisPage(
        heading=heading,
        faulty=any(f.severity is FindingSeverity.FAULT for f in found.findings),
        findings=tuple(_finding(f, evidence) for f in found.findings),
        ruled_out=tuple(map(_ruled_out, found.ruled_out)),
        standings=tuple(_standings(evidence)),
        probes=evidence.probes,
        tables=tuple(tables_of(evidence)),
    )


def findings_of(found: Diagnosis) -> tuple[Found, ...]:
    """The faults of a diagnosis, in their rank."""
    return tuple(
        _finding(f, found.evidence)
        for f in found.findings
        if f.severity is FindingSeverity.FAULT
    )


def _finding(finding: Finding, evidence: Evidence) -> Found:
    title = title_of(finding.cause, finding.kind)
    device = f": {_in_socket(finding.device, evidence)}" if finding.device else ""
    return Found(
        title=f"{title[:1].upper()}{title[1:]}{device}",
        outcome=str(_outcome(finding)),
        summary=finding.summary,
        points=tuple(_points(finding)),
        try_first=finding.try_first,
        key=f"{finding.cause}: {finding.kind}",
        severity=str(finding.severity),
        confidence=str(finding.confidence),
    )


def _in_socket(rom_code: str, evidence: Evidence) -> str:
    """A ROM code, behind the socket that the fixture has it in."""
    return f"{evidence.expected.rom_codes.get(rom_code, '')} {rom_code}".strip()


def _outcome(finding: Finding) -> Outcome:
    if finding.severity is not FindingSeverity.FAULT:
        return Outcome.SKIPPED
    return Outcome.ERROR if finding.cause in NO_VERDICT else Outcome.FAILED


def _points(finding: Finding) -> Iterator[tuple[str, str]]:
    if finding.severity is not FindingSeverity.NOTE:
        yield "confidence", _confidence(finding)
    yield from (("why not", with_title(text)) for text in finding.ruled_out)
    yield from (_possible(finding, text) for text in finding.discriminators)
    yield from (("measured", text) for text in finding.measured)
    yield from (("brings about", with_title(text)) for text in finding.follows)


def _possible(finding: Finding, text: str) -> tuple[str, str]:
    """What would show another cause, or of the finding's own what would prove it."""
    own = f"{finding.cause} {finding.kind}: "
    if text.startswith(own):
        return "would prove it", text.removeprefix(own)
    return "could also be", with_title(text)


def _confidence(finding: Finding) -> str:
    """What its confidence rests on, in words."""
    own = f"{finding.cause} {finding.kind}: "
    others = sum(not text.startswith(own) for text in finding.discriminators)
    if finding.confidence is Confidence.CERTAIN:
        if finding.ruled_out:
            return (
                "certain; a measurement excludes every other known cause (see why not)"
            )
        return "certain; the numbers below show it, and no other known cause makes them"
    if not others:
        return f"{finding.confidence}; other causes of the same were not measured"
    them = "another cause is" if others == 1 else f"{others} other causes are"
    if finding.confidence is Confidence.LIKELY:
        return f"likely; it explains most of what was seen; {them} not excluded"
    return f"undecided; {them} as possible, and beside each stands what would show it"


def _ruled_out(name: str) -> str:
    """The title of a cause; journals of earlier versions hold words."""
    return TITLES.get(name, name)


def _standings(evidence: Evidence) -> Iterator[tuple[str, tuple[str, ...]]]:
    inventory = evidence.inventory
    for standing in sorted(set(inventory.values())):
        codes = (c for c, what in inventory.items() if what == standing)
        yield (
            standing_words(standing),
            tuple(sorted(_in_socket(c, evidence) for c in codes)),
        )
