"""`slotproof trace`: a recording of the data line, decoded and judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.progress import Progress

from harness.commands.base import make_console
from harness.output import say
from harness.plans.execution.tracing.request import TraceRequest
from harness.plans.execution.tracing.run import judge
from harness.plans.loading.files import load_fixture
from harness.recordings.lines import trace_lines

_BYTES_WORTH_A_BAR = 20_000_000


def trace(
    *,
    recording: Path,
    fixture: Path | None,
    channel: str,
    invert: bool,
    into: Path | None,
    case_properties: bool,
) -> int:
    """Decode and judge what an oscilloscope or logic analyser recorded."""
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
    return result.exit_code


@contextmanager
def _progress(recording: Path) -> Iterator[Callable[[int], None] | None]:
    """A bar on the standard error of a terminal, for files worth one."""
    size = recording.stat().st_size
    console = make_console(error=True)
    if size < _BYTES_WORTH_A_BAR or not console.is_terminal:
        yield None
        return

    with Progress(console=console, transient=True) as bars:
        task = bars.add_task(f"reading {recording.name}", total=size)
        yield lambda done: bars.update(task, completed=min(done, size))
