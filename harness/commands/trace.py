"""`slotproof trace`: a recording of the data line, decoded and judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.progress import Progress

from harness.commands.base import make_console, print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import RecordedQuantity, TraceAnswer
from harness.output import say
from harness.plans.execution.tracing.comparison import comparison_lines
from harness.plans.execution.tracing.request import TraceRequest, secret_given
from harness.plans.execution.tracing.run import TraceResult, judge
from harness.plans.loading.files import load_fixture
from harness.recordings.lines import finding_lines, trace_lines
from harness.recordings.record.quantity import JudgedQuantity
from harness.recordings.record.sentences import quantity_name
from harness.results.summary.making import summary_of

_BYTES_WORTH_A_BAR = 20_000_000


def trace(
    *,
    recording: Path,
    fixture: Path | None,
    channel: str,
    invert: bool,
    secret: str,
    journal: Path | None,
    into: Path | None,
    case_properties: bool,
    style: OutputStyle,
) -> int:
    """Decode and judge what an oscilloscope or logic analyser recorded."""
    request = TraceRequest(
        recording=recording,
        fixture=load_fixture(fixture) if fixture is not None else None,
        channel=channel,
        inverted=invert,
        secret=secret_given(secret) if secret else None,
        journal=journal,
        into=into,
        case_properties=case_properties,
    )
    with _progress(recording) as progress:
        result = judge(request, progress)
    if style.json:
        print_json(_answer(recording, result))
        return result.exit_code
    verdict, *rest = trace_lines(recording.name, result.trace, request.kinds())
    # the word of page and junit.xml first: it judges a run beside the recording too
    print_texts([f"{str(result.record.outcome).upper()}: {verdict}"])
    if not style.quiet:
        print_texts([*comparison_lines(result.record), *rest])
    say(f"results: {result.folder}")
    return result.exit_code


def _answer(recording: Path, result: TraceResult) -> TraceAnswer:
    trace = result.trace
    return TraceAnswer(
        command="trace",
        exit_code=result.exit_code,
        results=str(result.folder),
        summary=summary_of(result.record),
        recording=str(recording),
        channel=trace.channel,
        verdict=str(trace.verdict),
        rom_codes=tuple(str(rom) for rom, _ in trace.roms),
        quantities=tuple(map(_quantity, trace.quantities)),
        findings=tuple(finding_lines(trace)),
    )


def _quantity(judged: JudgedQuantity) -> RecordedQuantity:
    row = judged.row
    return RecordedQuantity(
        name=quantity_name(row),
        side=str(row.side),
        unit=row.unit,
        count=judged.count,
        minimum=judged.minimum,
        median=judged.median,
        maximum=judged.maximum,
        doubt=judged.doubt,
        low=row.loosest_low,
        high=row.loosest_high,
        margin=judged.margin,
        verdict=str(judged.standing),
    )


@contextmanager
def _progress(recording: Path) -> Iterator[Callable[[int], None] | None]:
    """A bar on the standard error of a terminal, for files worth one."""
    size = recording.stat().st_size if recording.is_file() else 0
    console = make_console(error=True)
    if size < _BYTES_WORTH_A_BAR or not console.is_terminal:
        yield None
        return

    with Progress(console=console, transient=True) as bars:
        task = bars.add_task(f"reading {recording.name}", total=size)
        yield lambda done: bars.update(task, completed=min(done, size))
