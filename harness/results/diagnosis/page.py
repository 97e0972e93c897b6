"""A diagnosis as one page: causes in their rank, what was ruled out, what was done.

From the journal alone, for the terminal and for the report. Keys that an older journal
does not have are taken as empty.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from harness.results.diagnosis.numbers import NumbersTable, tables_of
from harness.results.record.run import RunRecord
from harness.results.reports.wording import step_name

NOTHING = "nothing wrong was found"

_FAULT = "fault"
_COULD_NOT_TELL = frozenset({"adapter", "host", "undecided"})
"""Causes that are no verdict on bus or devices, as the journal words them."""

_POINTS = (
    ("measured", "measured"),
    ("rules out", "ruled_out"),
    ("to tell apart", "tells_apart"),
)
"""What stands before a point, and the key of a finding that holds such points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One finding in words.

    Attributes:
        title: cause, kind, how sure, and the device if it is about one.
        outcome: word of the verdict that it stands for, for the colour.
        says: one sentence for a technician.
        points: label and text: numbers, what they rule out, what would tell apart.
        try_first: one thing to do.
    """

    title: str
    outcome: str
    says: str
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
        probes: what was done: name, in words, seconds, what broke it off.
        tables: the numbers behind it.
    """

    of: str
    faulty: bool
    findings: tuple[Found, ...]
    ruled_out: tuple[str, ...]
    standings: tuple[tuple[str, tuple[str, ...]], ...]
    probes: tuple[tuple[str, str, float, str], ...]
    tables: tuple[NumbersTable, ...]


def pages_of(record: RunRecord) -> tuple[DiagnosisPage, ...]:
    """The page of every diagnosis in a run, in order; empty if there was none."""
    pages = []
    for step, result in record.results:
        told = result.shown.evidence.get("diagnosis")
        if isinstance(told, dict):
            device = f" {result.device.label}" if result.device else ""
            pages.append(_page(told, f"{step_name(step)}{device}"))
    return tuple(pages)


def _page(told: dict[str, Any], of: str) -> DiagnosisPage:
    found = told.get("found", {})
    findings = told.get("findings", [])
    return DiagnosisPage(
        of=of,
        faulty=any(f.get("weight") == _FAULT for f in findings),
        findings=tuple(map(_finding, findings)),
        ruled_out=tuple(told.get("ruled_out", ())),
        standings=tuple(_standings(found.get("inventory", {}))),
        probes=tuple(
            (p["name"], p["did"], p["took_s"], p.get("broke_off", ""))
            for p in found.get("probes", ())
        ),
        tables=tuple(tables_of(found)),
    )


def _finding(finding: dict[str, Any]) -> Found:
    weight, cause = finding["weight"], finding["cause"]
    device = f", device {finding['device']}" if finding.get("device") else ""
    outcome = "error" if cause in _COULD_NOT_TELL else "failed"
    return Found(
        title=f"{cause} ({finding['kind']}), {finding['sure']} {weight}{device}",
        outcome=outcome if weight == _FAULT else "skipped",
        says=finding["says"],
        points=tuple(
            (label, text) for label, key in _POINTS for text in finding.get(key, ())
        ),
        try_first=finding["try_first"],
    )


def _standings(inventory: dict[str, str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for standing in sorted(set(inventory.values())):
        yield standing, tuple(c for c, what in inventory.items() if what == standing)
