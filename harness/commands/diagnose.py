"""`slotproof diagnose`: what is wrong with a bus, without any plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from harness.commands.base import FixtureOption, IntoOption, app, example
from harness.commands.run import run_and_show
from harness.output import say

if TYPE_CHECKING:
    from harness.results.record.run import RunRecord


@app.command(epilog=example("slotproof diagnose --fixture fixtures/demo_bench.yaml"))
def diagnose(fixture: FixtureOption, *, into: IntoOption = None) -> None:
    """Examine adapter, line and devices; name causes, numbers, what to try first.

    Nothing is stored in any device. Leaves the reports of any run; report.html has the
    page of the diagnosis and every number behind it.
    """
    from harness.plans.execution.diagnose_plan import diagnose_plan  # noqa: PLC0415
    from harness.plans.execution.request import RunRequest  # noqa: PLC0415
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415

    raise typer.Exit(
        run_and_show(
            RunRequest(plan=diagnose_plan(), fixture=load_fixture(fixture), into=into),
            after=_show_page,
        )
    )


def _show_page(record: RunRecord) -> None:
    from harness.results.diagnosis.lines import diagnosis_lines  # noqa: PLC0415

    say("")
    for line in diagnosis_lines(record):
        say(line)
