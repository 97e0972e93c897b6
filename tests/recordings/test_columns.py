"""CSV as instruments export it: the same line in every layout gives the same result."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness import lazy
from harness.errors import UsageError
from harness.recordings.problems import RecordingUnreadable
from harness.recordings.reading.main_levels import Thresholds
from harness.recordings.reading.opening import open_recording
from harness.recordings.record.shown import TraceVerdict
from harness.recordings.trace import RecordingTracer
from tests.recordings.traces import DATA, LineMaker, quantity, traced

STEP_S = 1e-6


def _line() -> LineMaker:
    line = LineMaker(start_us=300)
    line.reset()
    line.send(0xCC, 0x44)
    return line


def _levels(line: LineMaker) -> list[int]:
    levels = np.ones(math.ceil(line.now) + 300, np.int64)
    for start, end in line.lows:
        levels[round(start) : round(end)] = 0
    return [int(level) for level in levels]


def _samples(
    line: LineMaker, row: Callable[[float, int], str], start_s: float = 0.0
) -> str:
    rows = enumerate(_levels(line))
    return "".join(row(start_s + n * STEP_S, level) for n, level in rows)


def _changes(line: LineMaker, row: Callable[[float, int], str]) -> str:
    text, before = "", -1
    for n, level in enumerate(_levels(line)):
        if level != before:
            text += row(n * STEP_S, level)
        before = level
    return text


LAYOUTS: dict[str, Callable[[LineMaker], str]] = {
    "plain": lambda line: _samples(line, lambda t, v: f"{t:.9f},{v * 5.0:.3f}\n"),
    "levels": lambda line: (
        "Time [s],D0\n" + _samples(line, lambda t, v: f"{t:.9f},{v}\n")
    ),
    "changes": lambda line: (
        "Time[s], Channel 0\n" + _changes(line, lambda t, v: f"{t:.9f}, {v}\n")
    ),
    "milliseconds": lambda line: (
        "Time,Channel A\n(ms),(V)\n\n"
        + _samples(line, lambda t, v: f"{t * 1e3:.6f},{v * 3.3:.3f}\n", -0.0005)
    ),
    "microseconds": lambda line: (
        "time_us;volt\n" + _samples(line, lambda t, v: f"{t * 1e6:.1f};{v * 3.3:.3f}\n")
    ),
    "decimal comma": lambda line: (
        "Zeit;Kanal 1\r\ns;mV\r\n"
        + _samples(line, lambda t, v: f"{t:.9f};{v * 5000:.1f}\r\n".replace(".", ","))
    ),
    "tab": lambda line: _samples(line, lambda t, v: f"{t:.9e}\t{v * 5.0:.3e}\n"),
    "preamble": lambda line: (
        "Model,XY\nFirmware,1.2,3\nVertical Scale,1.0\n\n"
        "Source,CH1\nSecond,Volt\n"
        + _samples(line, lambda t, v: f"{t:.9e},{v * 5.0:.2e}\n")
    ),
    "trailing separator": lambda line: (
        "TIME,CH1,\n" + _samples(line, lambda t, v: f"{t:.9f},{v * 5.0:.3f},\n")
    ),
    "stated increment": lambda line: (
        "X,CH1,Start,Increment\nSequence,Volt,0.0,1.0e-06\n"
        + "".join(f"{n},{v * 5.0:.2f},,\n" for n, v in enumerate(_levels(line)))
    ),
    "byte order mark": lambda line: (
        "\ufefftime,v\n" + _samples(line, lambda t, v: f"{t:.9f},{v * 5.0:.3f}\n")
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout(tmp_path: Path, layout: str) -> None:
    path = tmp_path / "scope.csv"
    path.write_text(LAYOUTS[layout](_line()), encoding="utf-8", newline="")
    trace = traced(path)
    assert trace.transactions[0].data == b"\x44"
    assert trace.transactions[0].start_s == pytest.approx(
        -0.0002 if layout == "milliseconds" else 0.0003, abs=2e-6
    )
    assert quantity(trace, "reset low").median == pytest.approx(500, abs=1)
    # all times of the changes happen to be even
    assert trace.interval_us == pytest.approx(2 if layout == "changes" else 1)


def test_the_busiest_column_and_a_named_one(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text(
        "Time (s),CH1 (V),CH2 (V)\n"
        + _samples(_line(), lambda t, v: f"{t:.9f},5.0,{v * 5.0:.3f}\n")
    )
    source = open_recording(path)
    assert (source.channel, source.others) == ("CH2", ("CH1",))
    assert open_recording(path, channel="CH1").channel == "CH1"
    assert open_recording(path, channel="3").channel == "CH2"
    with pytest.raises(RecordingUnreadable, match="no channel 'CH9'") as error:
        open_recording(path, channel="CH9")
    assert "CH1 (column 2)" in error.value.hint


def test_a_programming_pulse_does_not_move_the_thresholds(tmp_path: Path) -> None:
    """Levels are the modes, not the extremes: a pulse of 12 V changes neither."""
    line = _line()
    rows = [f"{n * STEP_S:.9f},{v * 5.0:.3f}\n" for n, v in enumerate(_levels(line))]
    for n in range(len(rows) - 290, len(rows) - 50):
        rows[n] = f"{n * STEP_S:.9f},12.0\n"
    path = tmp_path / "pulse.csv"
    path.write_text("".join(rows))
    trace = traced(path)
    assert trace.analog is not None
    assert trace.analog.high_v == pytest.approx(5)
    assert trace.analog.falls_below_v == pytest.approx(1.5, abs=0.05)
    assert trace.transactions[0].data == b"\x44"


def test_a_programming_pulse_longer_than_all_the_rest(tmp_path: Path) -> None:
    """What the line changes between is a level, not what it rests at."""
    line = _line()
    levels = _levels(line)
    volts = [*(5.0 * v for v in levels), *[12.0] * 2 * len(levels), *[5.0] * 100]
    path = tmp_path / "pulse.csv"
    path.write_text("".join(f"{n * STEP_S:.9f},{v:.3f}\n" for n, v in enumerate(volts)))
    trace = traced(path)
    assert trace.analog is not None
    assert trace.analog.high_v == pytest.approx(5)
    assert trace.transactions[0].data == b"\x44"


def test_idle_and_a_pulse_ahead_of_the_first_low_are_no_levels(tmp_path: Path) -> None:
    """A first block without any low decides nothing."""
    idle = [5.0] * 60_000 + [12.0] * 500 + [5.0] * 30_000
    volts = [*idle, *(5.0 * v for v in _levels(_line()))]
    path = tmp_path / "late.csv"
    path.write_text("".join(f"{n * STEP_S:.9f},{v:.3f}\n" for n, v in enumerate(volts)))
    assert path.stat().st_size > 1 << 20
    trace = traced(path)
    assert trace.analog is not None
    assert trace.analog.high_v == pytest.approx(5)


@pytest.mark.parametrize("noise_v", [0.03, 0.3])
def test_noise_of_an_idle_line_is_no_level(tmp_path: Path, noise_v: float) -> None:
    """A first block that idles with noise, to 0.07 V as an 8-bit recorder has it."""
    noise = np.random.default_rng(11).normal(0, noise_v, 70_000)
    idle = np.round((5.0 + noise) / 0.07) * 0.07
    volts = [*idle, *(5.0 * v for v in _levels(_line()))]
    path = tmp_path / "idle.csv"
    path.write_text("".join(f"{n * STEP_S:.9f},{v:.3f}\n" for n, v in enumerate(volts)))
    trace = traced(path)
    assert trace.edges == 2 * len(_line().lows)
    assert trace.transactions[0].data == b"\x44"


def test_noise_alone_never_changes(tmp_path: Path) -> None:
    noise = np.random.default_rng(12).normal(0, 0.2, 5_000)
    path = tmp_path / "noise.csv"
    path.write_text("".join(f"{n * STEP_S:.9f},{v:.3f}\n" for n, v in enumerate(noise)))
    assert "never changes" in traced(path).reasons[0]


def test_edges_and_levels_of_volts(tmp_path: Path) -> None:
    """Straight edges: 30 to 70 % of 5 us up is 2 us, of 2 us down 0.8; each low counts.

    The host pulls to 0.1 V, the device's presence pulse to 0.4 V.
    """
    line = _line()
    volts = np.full(math.ceil(line.now) + 300, 5.0)
    for place, (start, end) in enumerate(line.lows):
        low_v = 0.4 if place == 1 else 0.1
        first, last = round(start), round(end)
        volts[first:last] = low_v
        volts[first - 1] = (5.0 + low_v) / 2
        for n in range(1, 5):
            volts[last - 1 + n] = low_v + (5.0 - low_v) * n / 5
    path = tmp_path / "scope.csv"
    path.write_text(
        "t,v\n" + "".join(f"{n * STEP_S:.9f},{v:.3f}\n" for n, v in enumerate(volts))
    )
    trace = traced(path)
    rise, fall = (quantity(trace, name) for name in ("rise time", "fall time"))
    assert (rise.count, fall.count) == (len(line.lows), len(line.lows))
    assert rise.median == pytest.approx(2, abs=0.1)
    assert fall.median == pytest.approx(0.8, abs=0.1)
    host, device = (
        quantity(trace, f"low level, {side}") for side in ("host", "device")
    )
    assert [host.minimum, host.maximum] == pytest.approx([0.1, 0.1])
    assert [device.count, device.median] == pytest.approx([1, 0.4])
    assert quantity(trace, "high level").median == pytest.approx(5)


@pytest.mark.parametrize("block", [700, 5_000, 1 << 20])
def test_blocks_of_any_size_give_the_same_volts(
    tmp_path: Path, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An edge or a plateau that a block's end cuts is found as any other."""
    path = DATA / "octal_switch_29h_write.csv"
    given = Thresholds(falls_below_v=1.5, rises_above_v=3.5)
    whole = RecordingTracer(open_recording(path, thresholds=given)).run()
    monkeypatch.setattr("harness.recordings.reading.columns.reader.BLOCK_BYTES", block)
    cut = RecordingTracer(open_recording(path, thresholds=given)).run()
    for name in ("rise time", "fall time", "high level"):
        assert quantity(cut, name).bins == quantity(whole, name).bins
    assert [q.row.name for q in cut.quantities] == [
        q.row.name for q in whole.quantities
    ]


@pytest.mark.parametrize("head", ["t,v\n", ""])
@pytest.mark.parametrize("cell", ["inf", "+Infinity", "NaN"])
def test_a_first_row_beyond_the_range_is_no_header(
    tmp_path: Path, head: str, cell: str
) -> None:
    rows = _samples(_line(), lambda t, v: f"{t:.9f},{v * 5.0:.3f}\n").splitlines()
    rows[0] = f"0.000000000,{cell}"
    path = tmp_path / "clipped.csv"
    path.write_text(head + "\n".join(rows) + "\n")
    trace = traced(path)
    assert trace.channel == ("v" if head else "2")
    assert trace.transactions[0].data == b"\x44"


def test_a_sample_that_is_no_number_is_a_gap(tmp_path: Path) -> None:
    rows = _samples(_line(), lambda t, v: f"{t:.9f},{v * 5.0:.3f}\n").splitlines()
    rows[100] = f"{100 * STEP_S:.9f},nan"
    path = tmp_path / "gap.csv"
    path.write_text("\n".join(rows) + "\n")
    assert "the recorder left out 1 stretch" in traced(path).notes


def test_columns_that_were_sampled_at_their_own_times(tmp_path: Path) -> None:
    """An empty cell says nothing where another channel has one in that row."""
    text = "Time (s),CH1 (V),CH2 (V)\n"
    text += _samples(
        _line(), lambda t, v: f"{t:.9f},{v * 5.0:.3f},\n{t + 4e-7:.9f},,1.0\n"
    )
    path = tmp_path / "apart.csv"
    path.write_text(text)
    trace = traced(path)
    assert trace.channel == "CH1"
    assert trace.transactions[0].data == b"\x44"
    assert trace.interval_us == pytest.approx(1)


def test_noise_within_the_hysteresis_makes_no_edge(tmp_path: Path) -> None:
    noise = np.random.default_rng(7).normal(0, 0.3, 100_000)
    line = _line()
    path = tmp_path / "noise.csv"
    path.write_text(
        "".join(
            f"{n * STEP_S:.9f},{v * 5.0 + noise[n]:.3f}\n"
            for n, v in enumerate(_levels(line))
        )
    )
    trace = traced(path)
    assert trace.edges == 2 * len(line.lows)
    assert trace.glitches == 0


def test_thresholds_that_are_given(tmp_path: Path) -> None:
    path = tmp_path / "scope.csv"
    path.write_text(LAYOUTS["plain"](_line()))
    given = Thresholds(falls_below_v=0.8, rises_above_v=2.2, from_fixture=True)
    source = open_recording(path, thresholds=given)
    trace = RecordingTracer(source, level_limits=(0.8, 2.2)).run()
    assert trace.analog is not None
    assert trace.analog.from_fixture
    assert quantity(trace, "high level").margin == pytest.approx(2.8, abs=0.05)


def test_a_level_that_never_changes(tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    path.write_text("t,v\n" + "".join(f"{n}e-6,5.0\n" for n in range(100)))
    trace = traced(path)
    assert trace.verdict is TraceVerdict.CANNOT_TELL
    assert "never changes" in trace.reasons[0]


BAD = {
    "cell": ("t,v\n0,5\n1e-6,5\n2e-6,5\n3e-6,x\n", "bad.csv:5:6: expected 2 numbers"),
    "early cell": ("t,v\n0,5\n1e-6,x\n", "bad.csv:3:6: expected 2 numbers"),
    "short row": (
        "t,v\n0,5\n1e-6,5\n2e-6,5\n3e-6\n",
        "bad.csv:5:5: expected 2 numbers",
    ),
    "empty cell": ("t,v\n0,5\n1e-6,5\n2e-6,5\n3e-6,\n", "bad.csv:5:6: expected 2"),
    "backwards": (
        "t,v\n0,5\n1e-6,5\n2e-6,5\n1e-6,0\n",
        "bad.csv:5:1: time goes backwards: 1e-06 s after 2e-06 s",
    ),
    "no numbers": ("hello\nworld\n", "bad.csv:1:1: no rows of numbers"),
    "one column": ("5\n5\n0\n", "bad.csv:1:1: no rows of numbers"),
    "few digits": (
        "t,v\n" + "".join(f"0.00{n // 50},5\n" for n in range(200)),
        "too few digits",
    ),
    "beyond": ("t,v\n0,5\n1e9,5\n2e9,5\n", "the time is beyond"),
    "utf-16": ("t,v\n0,5\n", "UTF-16"),
}


@pytest.mark.parametrize("name", BAD)
def test_damaged_files(tmp_path: Path, name: str) -> None:
    text, said = BAD[name]
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-16" if name == "utf-16" else "utf-8")
    with pytest.raises(RecordingUnreadable) as error:
        traced(path)
    assert said in str(error.value)


def test_without_the_optional_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lean install says what is missing and what to do instead."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.delattr(lazy.arrow, "__version__", raising=False)  # kept from before
    with pytest.raises(UsageError, match="pyarrow, which is not installed") as error:
        traced(DATA / "octal_switch_29h_read.csv")
    assert "slotproof[recordings]" in error.value.hint


def test_noise_of_an_idle_input_is_not_busy(tmp_path: Path) -> None:
    """It crosses its own middle more often than the data line does, between no levels."""
    path = tmp_path / "scope.csv"
    rows = [f"{n * 1e-6:.6f},{0.01 * (n % 3)},{5 * (n % 70 > 10)}" for n in range(3000)]
    path.write_text("\n".join(["Time (s),CH1 (V),CH2 (V)", *rows]))
    assert open_recording(path).channel == "CH2"


def test_names_stand_where_the_time_does(tmp_path: Path) -> None:
    """A line of text above them may have as many cells."""
    path = tmp_path / "scope.txt"
    rows = [f"{n}\t{5 * (n % 70 > 10)}" for n in range(200)]
    path.write_text("\n".join(["#\tdate 2026", "t [us]\tU [V]", *rows]))
    assert open_recording(path).channel == "U"
