"""`slotproof diagnose`: what is wrong with a bus, without any plan."""

from __future__ import annotations

from pathlib import Path

from harness.commands.base import print_json, show_run, warn_left_on
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.runs import DiagnoseAnswer, FoundCause
from harness.commands.run import run_to_end
from harness.plans.execution.diagnose_plan import diagnose_plan
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import RunResult
from harness.plans.loading.files import load_fixture
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.diagnosis.page import pages_of
from harness.results.summary.making import summary_of


def diagnose(*, fixture: Path, into: Path | None, style: OutputStyle) -> int:
    """Examine adapter, line and devices; name causes, numbers, what to look at first."""
    request = RunRequest(plan=diagnose_plan(), fixture=load_fixture(fixture), into=into)
    done = run_to_end(request, style)
    if style.json:
        print_json(_answer(done))
        warn_left_on(done.record)
    else:
        page = diagnosis_lines(done.record)
        show_run(done.record, done.folder, style, more=page, failures=not page)
    return done.exit_code


def _answer(done: RunResult) -> DiagnoseAnswer:
    pages = pages_of(done.record)
    return DiagnoseAnswer(
        command="diagnose",
        exit_code=done.exit_code,
        results=str(done.folder),
        summary=summary_of(done.record),
        findings=tuple(
            FoundCause(
                title=finding.title,
                key=finding.key,
                severity=finding.severity,
                confidence=finding.confidence,
                verdict=finding.outcome,
                says=finding.summary,
                points=finding.points,
                look_first=finding.try_first,
            )
            for page in pages
            for finding in page.findings
        ),
        ruled_out=tuple(cause for page in pages for cause in page.ruled_out),
    )
