"""The report as one HTML file: no script, no network, readable in print.

From the run record alone; how a page is made stands in ``page``. The pictures are
those of ``plots``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.records import DeviceRef, Outcome
from harness.results.diagnosis.page import pages_of
from harness.results.plots.run import figures
from harness.results.record.device_tally import DeviceResult
from harness.results.record.facts import run_facts
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, INTERRUPTED, StepRecord
from harness.results.recording.page import recording_page
from harness.results.reports.page import fill, picture, write_page
from harness.results.reports.table import summary_line
from harness.results.reports.timing import explanation, timing_rows
from harness.results.reports.wording import one_line, step_name, tries_text, value_rows
from harness.results.soak.page import page_of

FILE_NAME = "report.html"

_MOST_NAMED = 6
"""Devices named in the verdict's box; the list below it names all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One result that is not passed, as the first page shows it."""

    outcome: str
    step: str
    device: str
    message: str
    hint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow:
    """One line of a step's table."""

    device: str
    name: str
    value: str
    unit: str
    limits: str
    verdict: str
    outcome: str
    tries: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step with its table, and its notes: who, and what a reader must know."""

    name: str
    outcome: str
    duration: str
    rows: tuple[ResultRow, ...]
    notes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSection:
    """One device with the worst of its verdicts."""

    socket: str
    rom_code: str
    family: str
    checks: int
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """What the page of a run that goes on shows besides.

    Attributes:
        refresh_s: how often the page renews itself.
        lines: what happened last, newest first.
    """

    refresh_s: int
    lines: tuple[str, ...] = ()


def write_html(record: RunRecord, path: Path) -> None:
    """Write the report; the file is whole or not there.

    Raises:
        OSError: the folder does not take it.
    """
    write_page(render(record), path)


def render(record: RunRecord, live: Live | None = None) -> str:
    """The report as text; the same record gives the same text.

    Args:
        record: the run.
        live: what a page of a run still going on shows besides, or None.
    """
    return fill(
        "report.html.j2",
        record=record,
        live=live,
        summary=summary_line(record),
        culprits=_culprits(record),
        troubles=list(_troubles(record, going_on=live is not None)),
        remarks=[text for text in [explanation(timing_rows(record))] if text],
        diagnoses=pages_of(record),
        recording=recording_page(record.recording),
        nights=[page_of(night) for night in record.nights],
        pictures=[picture(name, figure) for name, figure in figures(record)],
        devices=list(_units(record)),
        steps=[_step(step) for step in record.steps],
        facts=[(name, one_line(value)) for name, value in run_facts(record)],
    )


def _culprits(record: RunRecord) -> str:
    """The devices that failed, for the verdict's own box; empty if none did."""
    labels = [
        device.label
        for device in record.devices
        if any(
            result.outcome is Outcome.FAILED
            for _, result in record.results
            if result.device == device
        )
    ]
    more = len(labels) - _MOST_NAMED
    shown = ", ".join(map(one_line, labels[:_MOST_NAMED]))
    return f"{shown} and {more} more" if more > 0 else shown


def _label(device: DeviceRef | None) -> str:
    return device.label if device else "bus"


def _troubles(record: RunRecord, *, going_on: bool) -> Iterator[Trouble]:
    for step, result in record.results:
        if going_on and result.shown.kind == INTERRUPTED:
            continue  # it has not ended yet, that is all
        if result.outcome in BAD_OUTCOMES:
            yield Trouble(
                outcome=str(result.outcome),
                step=step_name(step),
                device=_label(result.device),
                message=result.shown.message or result.shown.kind,
                hint=result.shown.hint,
            )


def _units(record: RunRecord) -> Iterator[UnitSection]:
    for device in record.devices:
        outcomes = [r.outcome for _, r in record.results if r.device == device]
        yield UnitSection(
            socket=device.socket,
            rom_code=device.rom_code,
            family=f"{device.family:02X}h",
            checks=len(outcomes),
            outcome=str(Outcome.worst(outcomes)),
        )


def _step(step: StepRecord) -> Step:
    return Step(
        name=step_name(step),
        outcome=str(step.outcome),
        duration=f"{step.duration_s:.3f} s",
        rows=tuple(row for result in step.results for row in _rows(result)),
        notes=tuple(
            (_label(result.device), one_line(note))
            for result in step.results
            for note in result.notes
        ),
    )


def _rows(result: DeviceResult) -> Iterator[ResultRow]:
    device, tries = _label(result.device), tries_text(result)
    values = value_rows(result)
    for value in values:
        yield ResultRow(
            device=device,
            name=value.name,
            value=value.value,
            unit=value.unit,
            limits=value.limits.removeprefix("limits "),
            verdict=value.verdict,
            outcome="failed" if value.verdict == "outside" else "",
            tries=tries,
        )
    if not values or result.outcome is not Outcome.PASSED or result.shown.message:
        yield ResultRow(
            device=device,
            name="-",
            value=result.shown.message or "-",
            unit="-",
            limits="-",
            verdict=str(result.outcome),
            outcome=str(result.outcome),
            tries=tries,
        )
