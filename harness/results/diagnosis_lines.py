"""Projection to text: the one page that a diagnosis ends on.

Built from the journal alone, as every report: causes in their rank, how sure, the
numbers, what was ruled out, and one thing to try first.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from harness.results.record import RunRecord
from harness.results.wording import one_line

_NOTHING = "nothing wrong was found"


def diagnosis_lines(record: RunRecord) -> list[str]:
    """The page of every diagnosis in a run; empty if there was none."""
    lines: list[str] = []
    for _, result in record.results:
        found = result.shown.evidence.get("diagnosis")
        if isinstance(found, dict):
            lines += [one_line(line) for line in _page(found)]
    return lines


def _page(found: dict[str, Any]) -> Iterator[str]:
    findings = found.get("findings", [])
    faults = [f for f in findings if f.get("weight") == "fault"]
    yield "DIAGNOSIS" if faults else f"DIAGNOSIS: {_NOTHING}"
    for number, finding in enumerate(findings, start=1):
        yield from _finding(number, finding)
    if found.get("ruled_out"):
        yield f"ruled out: {', '.join(found['ruled_out'])}"
    inventory = found.get("found", {}).get("inventory", {})
    for standing in sorted(set(inventory.values())):
        codes = [code for code, what in inventory.items() if what == standing]
        yield f"{standing}: {', '.join(codes)}"
    yield "examined:"
    for probe in found.get("found", {}).get("probes", ()):
        broken = f"; broke off: {probe['broke_off']}" if probe["broke_off"] else ""
        yield f"  {probe['name']}: {probe['did']} ({probe['took_s']:.1f} s){broken}"


def _finding(number: int, finding: dict[str, Any]) -> Iterator[str]:
    device = f", device {finding['device']}" if finding.get("device") else ""
    yield (
        f"{number}. {finding['cause']} ({finding['kind']}), {finding['sure']}"
        f" {finding['weight']}{device}"
    )
    yield f"   {finding['says']}"
    for label, key in (
        ("measured", "measured"),
        ("rules out", "ruled_out"),
        ("to tell apart", "tells_apart"),
    ):
        for text in finding.get(key, ()):
            yield f"   {label}: {text}"
    yield f"   try first: {finding['try_first']}"
