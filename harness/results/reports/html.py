"""The report as one HTML file: no script, no network, readable in print.

From the run record alone; how a page is made stands in ``page``. The pictures are
those of ``plots``. The verdict's box names the culprit and what to do; then
devices against quantities; then everything, folded by step.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.digits import duration_text
from harness.records import DeviceRef, Outcome
from harness.results.diagnosis.page import pages_of
from harness.results.plots.run import DrawnFigure, caption_of, drawn_figures
from harness.results.record.device_tally import DeviceResult
from harness.results.record.facts import run_facts
from harness.results.record.run import RunRecord
from harness.results.record.steps import BAD_OUTCOMES, INTERRUPTED, StepRecord
from harness.results.recording.page import recording_page
from harness.results.reports.calendar import moment_text
from harness.results.reports.corners import corner_matrices
from harness.results.reports.matrix import anchor_of, matrices
from harness.results.reports.page import Picture, drawn_picture, fill, write_page
from harness.results.soak.page import page_of
from harness.results.soak.record import SoakRecord
from harness.results.summary.failures import FailureGroup, failure_groups
from harness.results.summary.lines import (
    counts_text,
    disagreement_text,
    headline_texts,
)
from harness.results.summary.making import failure_of, summary_of
from harness.results.summary.record import SummaryFailure
from harness.results.timing import (
    TimingRow,
    timing_rows,
    worst_first,
)
from harness.results.wording import one_line, step_name, tries_text, value_rows

FILE_NAME = "report.html"

_MOST_IN_BOX = 3
"""Failures named in the verdict's box, where they are read first; more stand below it."""

_MOST_NAMED = 6
"""Devices named in the box; the matrix below it marks all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One result that is not passed, as the first page shows it."""

    outcome: str
    where: str
    message: str
    hint: str
    elsewhere: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow:
    """One line of a step's table; device and attempts stand in the first of a result."""

    device: str
    name: str
    value: str
    unit: str
    limits: str
    verdict: str
    outcome: str
    tries: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownStep:
    """One step with its table, and its notes: who, and what a reader must know."""

    anchor: str
    name: str
    outcome: str
    duration: str
    checks: int
    rows: tuple[ResultRow, ...]
    notes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginRow:
    """One measured time, its margin in units, in percent and as a bar."""

    anchor: str
    device: str
    name: str
    value: str
    limits: str
    margin: str
    percent: str
    share: float
    outside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPicture:
    """A figure with its caption and the name of its file beside the page."""

    picture: Picture
    caption: str
    file: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """What the page of a run that goes on shows in addition.

    Attributes:
        refresh_s: how often the page renews itself.
        lines: what happened last, newest first.
    """

    refresh_s: int
    lines: tuple[str, ...] = ()


def write_html(
    record: RunRecord, path: Path, *, drawn: Sequence[DrawnFigure] | None = None
) -> None:
    """Write the report; the file is whole or not there.

    Args:
        record: the run.
        path: of the page.
        drawn: its pictures, as ``plots.run.draw`` returned them: an empty one for a page
            that is one of hundreds; None draws them.

    Raises:
        OSError: the folder does not take it.
    """
    write_page(render(record, drawn=drawn), path)


def render(
    record: RunRecord,
    live: Live | None = None,
    *,
    drawn: Sequence[DrawnFigure] | None = None,
) -> str:
    """The report as text; the same record gives the same text.

    Args:
        record: the run.
        live: what a page of a run still going on shows in addition, or None.
        drawn: its pictures if they are drawn already.
    """
    summary = summary_of(record)
    troubles = [*_troubles(record, going_on=live is not None), *_diagnosed(record)]
    headlines, passed = headline_texts(summary), record.outcome is Outcome.PASSED
    in_box = live is None and len(troubles) <= _MOST_IN_BOX
    rows = timing_rows(record)
    shown = _pictures(drawn_figures(record) if drawn is None else drawn)
    soaks = [(soak, _of_soak(soak, shown)) for soak in record.soaks]
    at_timelines = [picture for _, own in soaks for picture in own]
    return fill(
        "report.html.j2",
        record=record,
        live=live,
        when=moment_text(record.started_at, record.utc_offset_s),
        counts=counts_text(summary),
        headlines=headlines if passed else [],
        remarks=[*summary.remarks, *([] if passed else headlines)],
        culprits=_named(summary.culprits),
        disagreement=disagreement_text(summary),
        boxed=troubles if in_box else [],
        troubles=[] if in_box else troubles,
        margins=list(_margins(rows)),
        matrices=list(matrices(record)),
        corners=list(corner_matrices(record)),
        diagnoses=pages_of(record),
        recording=recording_page(record.recording),
        soaks=[(page_of(soak), own) for soak, own in soaks],
        pictures=[picture for picture in shown if picture not in at_timelines],
        steps=[_step(step) for step in record.steps],
        facts=[(name, one_line(value)) for name, value in run_facts(record)],
    )


def _pictures(drawn: Sequence[DrawnFigure]) -> list[ShownPicture]:
    # what several in a row have alike stands once, under the last of them
    after = [*(caption_of(each.name) for each in drawn[1:]), ""][: len(drawn)]
    return [
        ShownPicture(
            picture=drawn_picture(each.name, each.svg),
            caption="" if caption_of(each.name) == following else caption_of(each.name),
            file=f"{each.name}.svg",
        )
        for each, following in zip(drawn, after, strict=True)
    ]


def _of_soak(soak: SoakRecord, shown: list[ShownPicture]) -> list[ShownPicture]:
    """The pictures of one soak: they stand at its timeline."""
    names = {f"soak-{soak.step}.svg", f"soak-chart-{soak.step}.svg"}
    return [picture for picture in shown if picture.file in names]


def _named(culprits: tuple[str, ...]) -> str:
    more = len(culprits) - _MOST_NAMED
    shown = ", ".join(culprits[:_MOST_NAMED])
    return f"{shown} and {more} more" if more > 0 else shown


def _label(device: DeviceRef | None) -> str:
    return device.label if device else "bus"


def _troubles(record: RunRecord, *, going_on: bool) -> Iterator[Trouble]:
    """What failed but diagnoses, whose message only strings their findings together.

    A soak fails for its bus by the sum of what its devices lost: where one of these
    failed, it is named alone.
    """
    bad = [g for g in failure_groups(record) if g.step.kind != "diagnose"]
    named = _soaks_with_devices(bad)
    for group in bad:
        is_sum = group.result.device is None and group.step.step in named
        if is_sum or (going_on and _has_only_not_ended(group.result)):
            continue
        yield _trouble(failure_of(group))


def _soaks_with_devices(bad: Sequence[FailureGroup]) -> frozenset[str]:
    """Soak steps in which devices failed by name."""
    return frozenset(
        group.step.step
        for group in bad
        if group.step.kind == "soak" and group.result.device
    )


def _trouble(failure: SummaryFailure) -> Trouble:
    return Trouble(
        outcome=failure.verdict,
        where=failure.where,
        message=failure.message,
        hint=failure.look_first,
        elsewhere=failure.elsewhere,
    )


def _has_only_not_ended(result: DeviceResult) -> bool:
    """True of a step that is interrupted, which while its run goes on has no end yet."""
    return result.shown.kind == INTERRUPTED


def _diagnosed(record: RunRecord) -> Iterator[Trouble]:
    """The findings of each diagnosis that are failures or errors."""
    for page in pages_of(record):
        for finding in page.findings:
            if finding.outcome in map(str, BAD_OUTCOMES):
                yield Trouble(
                    outcome=finding.outcome,
                    where=finding.short,
                    message=finding.summary,
                    hint=finding.try_first,
                )


def _margins(rows: list[TimingRow]) -> Iterator[MarginRow]:
    """Every measured time: smallest margin first, those without a limit last."""
    judged = worst_first(rows)
    for row in [*judged, *(row for row in rows if row.margin is None)]:
        has = row.margin is not None
        yield MarginRow(
            anchor=anchor_of(row.step),
            device=row.device,
            name=row.value.name,
            value=row.text,
            limits=row.limits_text,
            margin=row.margin_shown,
            percent=row.percent_text,
            share=min(1.0, max(0.0, row.share)) if has else 0.0,
            outside=not row.value.holds,
        )


def _step(step: StepRecord) -> ShownStep:
    return ShownStep(
        anchor=anchor_of(step.step),
        name=step_name(step),
        outcome=str(step.outcome),
        duration=duration_text(step.duration_s),
        checks=len(step.results),
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
    for number, value in enumerate(values):
        yield ResultRow(
            device="" if number else device,
            name=value.name,
            value=value.value,
            unit=value.unit,
            limits=value.limits.removeprefix("limits "),
            verdict=value.verdict,
            outcome="failed" if value.verdict == "outside" else "",
            tries="" if number else tries,
        )
    said = any(value.verdict == "outside" for value in values)
    if not values or (result.outcome is not Outcome.PASSED and not said):
        yield ResultRow(
            device=device,
            name="-",
            value="-",
            unit="-",
            limits="-",
            verdict=str(result.outcome),
            outcome=str(result.outcome),
            tries=tries,
        )
