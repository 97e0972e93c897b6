"""`slotproof diagnose`: what is wrong with a bus, without any plan."""

from __future__ import annotations

from pathlib import Path

from harness.commands.run import run_and_show
from harness.output import say
from harness.plans.execution.diagnose_plan import diagnose_plan
from harness.plans.execution.request import RunRequest
from harness.plans.loading.files import load_fixture
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.record.run import RunRecord


def diagnose(*, fixture: Path, into: Path | None) -> int:
    """Examine adapter, line and devices; name causes, numbers, what to try first."""
    return run_and_show(
        RunRequest(plan=diagnose_plan(), fixture=load_fixture(fixture), into=into),
        after=_show_page,
    )


def _show_page(record: RunRecord) -> None:

    say("")
    for line in diagnosis_lines(record):
        say(line)
