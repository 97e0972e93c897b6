"""`slotproof trace`: a recording of the data line, decoded and judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from harness.commands.base import IntoOption, app, example, make_console
from harness.output import say

_BYTES_WORTH_A_BAR = 20_000_000


@app.command(
    epilog=example(
        "slotproof trace line.vcd",
        "slotproof trace scope.csv --channel CH2 --fixture fixtures/demo_bench.yaml",
    )
)
def trace(
    recording: Annotated[
        Path,
        typer.Argument(metavar="RECORDING", help="VCD or CSV file of the data line"),
    ],
    *,
    fixture: Annotated[
        Path | None,
        typer.Option(
            "--fixture",
            "-f",
            metavar="FILE",
            help="fixture of the bus: expected devices, thresholds and levels",
        ),
    ] = None,
    channel: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="channel of the data line; default is the busiest"
        ),
    ] = "",
    invert: Annotated[
        bool, typer.Option("--invert", help="high and low are the other way round")
    ] = False,
    into: IntoOption = None,
    case_properties: Annotated[
        bool,
        typer.Option(
            "--case-properties",
            help="also write measured values as properties of each JUnit case",
        ),
    ] = False,
) -> None:
    """Decode and judge what an oscilloscope or logic analyser recorded.

    Exit code 0: within limits. 1: something is outside or wrong. 2: the file cannot be
    read. 3: the recording cannot tell.
    """
    from harness.plans.execution.tracing.request import TraceRequest  # noqa: PLC0415
    from harness.plans.execution.tracing.run import judge  # noqa: PLC0415
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415
    from harness.recordings.lines import trace_lines  # noqa: PLC0415

    request = TraceRequest(
        recording=recording,
        fixture=load_fixture(fixture) if fixture is not None else None,
        channel=channel,
        inverted=invert,
        into=into,
        case_properties=case_properties,
    )
    with _progress(recording) as progress:
        result = judge(request, progress)
    for line in trace_lines(recording.name, result.trace):
        say(line)
    say(f"results: {result.folder}")
    raise typer.Exit(result.exit_code)


@contextmanager
def _progress(recording: Path) -> Iterator[Callable[[int], None] | None]:
    """A bar on the standard error of a terminal, for files worth one."""
    size = recording.stat().st_size
    console = make_console(error=True)
    if size < _BYTES_WORTH_A_BAR or not console.is_terminal:
        yield None
        return
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=console, transient=True) as bars:
        task = bars.add_task(f"reading {recording.name}", total=size)
        yield lambda done: bars.update(task, completed=min(done, size))
