"""The one way to judge a recording: reading, journal, reports, in this order.

The journal is written once the recording is read to its end: the recording lies on the
disk already, so nothing is lost if the reading is ended, and a file that cannot be read
leaves no folder behind. Reports are made from the journal alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness import ending
from harness.clock import SystemClock
from harness.plans.execution.request import fresh_folder
from harness.plans.execution.run_facts import facts_of_any_start
from harness.plans.execution.tracing.comparison import (
    RunComparison,
    compare,
    run_of,
    with_sockets,
)
from harness.plans.execution.tracing.request import (
    TraceRequest,
    expected_of,
    thresholds_of,
)
from harness.plans.execution.tracing.results import TraceStep, trace_steps
from harness.recordings.comparing.receiver import RECEIVER_THRESHOLDS
from harness.recordings.reading.opening import open_recording
from harness.recordings.record.shown import TraceFacts
from harness.recordings.trace import RecordingTracer
from harness.recordings.trace_record import TraceRecord
from harness.recordings.wording import shown_transaction
from harness.records import Outcome
from harness.results.journal.writer import Journal
from harness.results.record.run import EXIT_CODES, RunRecord
from harness.results.recording.events import (
    ECHOES,
    FACTS,
    QUANTITY,
    TIME,
    TRANSACTION,
    VIEW,
)
from harness.results.reports.rebuild import rebuild

_BLOCK = 1 << 20
_MOST_ODD = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceResult:
    """A recording that was judged.

    Attributes:
        trace: what it shows.
        record: the same as every report of a run has it.
        exit_code: 0 within limits, 1 something outside or wrong, 3 cannot tell; of a
            judgement that was ended that of ``harness.ending``.
        folder: its results folder.
    """

    trace: TraceRecord
    record: RunRecord
    exit_code: int
    folder: Path


def judge(
    request: TraceRequest, progress: Callable[[int], None] | None = None
) -> TraceResult:
    """Judge a recording from its file to its reports.

    Args:
        request: the recording, and what is known of the bus.
        progress: called now and then with the bytes read so far.

    Raises:
        RecordingUnreadable: the file is no recording, or is damaged; there are no
            reports of that.
        UsageError: the folder cannot be used.
        EndRequested: a signal ended the reading; nothing is written then.
    """
    fixture = request.fixture
    beside = run_of(request.journal) if request.journal else None
    thresholds = thresholds_of(fixture) if fixture else None
    # a file that is no recording leaves no folder behind
    source = open_recording(
        request.recording,
        channel=request.channel,
        # what a run heard is held against the line as its receiver takes it
        thresholds=RECEIVER_THRESHOLDS if beside else thresholds,
    )
    tracer = RecordingTracer(
        source,
        inverted=request.inverted,
        expected=expected_of(fixture) if fixture else (),
        level_limits=(thresholds.falls_below_v, thresholds.rises_above_v)
        if thresholds
        else None,
        keep_lows=beside is not None,
        secret=request.secret,
        kinds=request.kinds(),
    )
    with ending.interruptible():
        digest = _sha256(request.recording)
        trace = tracer.run(progress)
        compared = None
        if beside is not None:
            trace = with_sockets(trace, beside)
            compared = compare(trace, beside)
        steps = list(trace_steps(trace, facts_of(request.recording.name, trace)))
        steps += compared.steps if compared else ()
    folder = request.into or fresh_folder(f"trace {request.recording.stem}")
    with ending.held():
        code = _write(request, trace, steps, compared, folder=folder, digest=digest)
        record = rebuild(
            folder / "journal.jsonl", folder, case_properties=request.case_properties
        )
        ending.leave_with(code)
    return TraceResult(trace=trace, record=record, exit_code=code, folder=folder)


def _sha256(path: Path) -> str:
    found = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


def _write(
    request: TraceRequest,
    trace: TraceRecord,
    steps: list[TraceStep],
    compared: RunComparison | None,
    *,
    folder: Path,
    digest: str,
) -> int:
    with Journal.create(folder, SystemClock()) as journal:
        journal.record("run_started", **_start(request, trace, steps, digest))
        journal.record(
            FACTS.name, **FACTS.written(facts_of(request.recording.name, trace))
        )
        for found in trace.transactions:
            shown = shown_transaction(found)
            journal.record(TRANSACTION.name, **TRANSACTION.written(shown))
        for judged in trace.quantities:
            journal.record(QUANTITY.name, **QUANTITY.written(judged))
        for view in trace.views:
            journal.record(VIEW.name, **VIEW.written(view))
        if compared is not None:
            journal.record(ECHOES.name, **ECHOES.written(compared.echoes))
            for time in compared.times:
                journal.record(TIME.name, **TIME.written(time))
        return record_steps(journal, steps)


def record_steps(journal: Journal, steps: Iterable[TraceStep]) -> int:
    """Write steps and the end of the run; the exit code."""
    worst: list[Outcome] = []
    for step in steps:
        journal.record("step_started", step=step.step, kind=step.kind, title=step.title)
        for result in step.results:
            journal.record(
                "check_done", step=step.step, round=1, result=result.as_dict()
            )
        outcome = Outcome.worst([result.outcome for result in step.results])
        worst.append(outcome)
        journal.record(
            "step_done", step=step.step, outcome=str(outcome), duration_s=0.0
        )
    outcome = Outcome.worst(worst)
    code = EXIT_CODES[outcome]
    journal.record("run_done", outcome=str(outcome), exit_code=code, interrupted=False)
    return code


def _start(
    request: TraceRequest, trace: TraceRecord, steps: list[TraceStep], digest: str
) -> dict[str, Any]:
    fixture = request.fixture
    return facts_of_any_start(
        plan={
            "title": f"recording {request.recording.name}",
            "path": request.recording.name,
            "sha256": digest,
            "parameters": {"channel": trace.channel, "inverted": request.inverted},
        },
        fixture={
            "title": fixture.title if fixture else "a line without a fixture",
            "path": fixture.source.name if fixture else "",
            "sha256": fixture.source.sha256 if fixture else "",
            "sockets": [s.name for s in fixture.sockets] if fixture else [],
        },
        steps=[{"step": s.step, "kind": s.kind, "title": s.title} for s in steps],
    )


def facts_of(name: str, trace: TraceRecord) -> TraceFacts:
    """The recording in numbers, for the journal."""
    same = {
        key: getattr(trace, key)
        for key in (
            "channel", "others", "notes", "duration_s", "start_s", "edges", "interval_us",
            "doubt_us", "analog", "resets", "answered", "slots", "glitches", "neithers",
            "spikes", "devices", "transaction_count", "checks", "wrong", "wrong_count",
            "refused", "interruptions", "reasons", "verdict", "activity", "stretch_s", "active_from_s",
        )
    }  # fmt: skip
    return TraceFacts(recording=name, odd_lows=trace.odd_lows[:_MOST_ODD], **same)
