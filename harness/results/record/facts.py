"""Facts of a run as names and values, the same in every report."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from harness.digits import limit_text
from harness.results.record.run import RunRecord, SourceFile


def run_facts(record: RunRecord) -> Iterable[tuple[str, str]]:
    """Run facts, as name and value."""
    yield "run_id", record.run_id
    yield "outcome", str(record.outcome)
    if record.simulated:
        yield "simulated", "SIMULATED: a simulated bench, no verdict on real devices"
    yield "exit_code", str(record.exit_code)
    yield "ending", str(record.ending)
    yield "started", record.started_at
    yield "finished", record.finished_at
    yield "duration_s", f"{record.duration_s:.3f}"
    yield "time", "of the suite: the sum of its cases; by the port's clock"
    yield from _source_facts("plan", record.plan)
    yield from _source_facts("fixture", record.fixture)
    yield from _flat("version", record.versions)
    yield from _flat("adapter", record.adapter)
    if record.gaps:
        yield "adapter.away_times", str(record.gaps)
        yield "adapter.away_s", f"{record.gap_s:.3f}"
    if record.resumed:
        yield "resumed", f"{record.resumed} times"
    if record.lines_lost:
        yield "journal.lines_lost", str(record.lines_lost)
    for number, line in enumerate(record.damage, start=1):
        yield f"journal.damage.{number}", re.split(r"[/\\]", line)[-1]
    for number, text in enumerate(record.disagreements, start=1):
        yield f"disagreement.{number}", text


def _source_facts(name: str, source: SourceFile) -> Iterable[tuple[str, str]]:
    yield f"{name}.title", source.title
    yield f"{name}.path", source.path
    yield f"{name}.sha256", source.sha256
    yield from _flat(name, source.details)


def _flat(prefix: str, facts: dict[str, Any]) -> Iterable[tuple[str, str]]:
    for key, value in facts.items():
        name = f"{prefix}.{key}"
        if isinstance(value, dict):
            yield from _flat(name, value)
        elif isinstance(value, list):
            yield name, ", ".join(str(item) for item in value)
        elif isinstance(value, float):
            yield name, limit_text(value)
        else:
            yield name, "" if value is None else str(value)
