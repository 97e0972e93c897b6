"""`slotproof trace`: a recording of the data line, decoded and judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import app, example, make_console
from harness.output import say

if TYPE_CHECKING:
    from harness.plans.schema.files import Fixture
    from harness.recordings.expectation import ExpectedDevice
    from harness.recordings.reading.hysteresis import Thresholds

_EXIT_OUTSIDE, _EXIT_CANNOT_TELL = 1, 3
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
) -> None:
    """Decode and judge what an oscilloscope or logic analyser recorded.

    Exit code 0: within limits. 1: something is outside or wrong. 2: the file cannot be
    read. 3: the recording cannot tell.
    """
    from harness.plans.loading.files import load_fixture  # noqa: PLC0415
    from harness.recordings.lines import trace_lines  # noqa: PLC0415
    from harness.recordings.reading.opening import open_recording  # noqa: PLC0415
    from harness.recordings.trace import RecordingTracer, TraceVerdict  # noqa: PLC0415

    bench = load_fixture(fixture) if fixture is not None else None
    thresholds = _thresholds(bench) if bench else None
    expected = _expected(bench) if bench else ()
    levels = (
        (thresholds.falls_below_v, thresholds.rises_above_v) if thresholds else None
    )
    source = open_recording(recording, channel=channel, thresholds=thresholds)
    tracer = RecordingTracer(
        source, inverted=invert, expected=expected, level_limits=levels
    )
    with _progress(recording) as progress:
        record = tracer.run(progress)
    for line in trace_lines(recording.name, record):
        say(line)
    codes = {
        TraceVerdict.WITHIN: 0,
        TraceVerdict.OUTSIDE: _EXIT_OUTSIDE,
        TraceVerdict.CANNOT_TELL: _EXIT_CANNOT_TELL,
    }
    raise typer.Exit(codes[record.verdict])


def _thresholds(bench: Fixture) -> Thresholds:
    """Levels that every device of the fixture takes for low and for high."""
    from harness.plans.execution.fixture_circuit import circuit_of  # noqa: PLC0415
    from harness.recordings.reading.hysteresis import Thresholds  # noqa: PLC0415

    devices = circuit_of(bench).devices
    return Thresholds(
        falls_below_v=min(device.low_v for device in devices),
        rises_above_v=max(device.high_v for device in devices),
        from_fixture=True,
    )


def _expected(bench: Fixture) -> tuple[ExpectedDevice, ...]:
    from harness.recordings.expectation import ExpectedDevice  # noqa: PLC0415
    from harness.wire.romcode import RomCode  # noqa: PLC0415

    return tuple(
        ExpectedDevice(
            socket=socket.name,
            rom=RomCode.parse(socket.expect.rom_code)
            if socket.expect.rom_code
            else None,
            family=socket.expect.family_code,
        )
        for socket in bench.sockets
    )


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
