"""Our own recordings: a simulated line as VCD, read back and held against its journal."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from vcdvcd import VCDVCD

from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.overdrive import overdrive
from harness.driver.search import enumerate_devices
from harness.errors import UsageError
from harness.plans.execution.connection import LineRecording
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.execution.tracing.line_estimate import BYTES_A_SLOT
from harness.plans.execution.tracing.request import TraceRequest
from harness.plans.execution.tracing.run import judge
from harness.plans.loading.files import load_fixture, load_plan
from harness.recordings.comparing.bursts import SeenBurst
from harness.recordings.comparing.echoes import EchoComparison, compare_echoes
from harness.recordings.comparing.receiver import ReceiverView
from harness.recordings.reading.opening import open_recording
from harness.recordings.trace import RecordingTracer
from harness.recordings.trace_record import TraceRecord
from harness.records import Outcome
from harness.wire.romcode import RomCode

RUNS = count(1)
KINDS = ["fractional-divider", "integer-divider", "rate-table", "prescaled-divider"]
FAST_FAMILIES, SLOW_FAMILIES = (0x2D, 0x0C), (0x28, 0x10)

RISE_US = 0.6
"""Of 5 V through 2.2 kohm into 125 pF, to 1.5 V, and the fall before it."""

Bursts = list[SeenBurst]


def recorded(
    folder: Path, fixture: dict[str, Any], operations: Sequence[str]
) -> tuple[Bursts, TraceRecord]:
    """What a bus sends and hears while it does these, and the recording of its line."""
    run = next(RUNS)
    path, line = folder / f"bench-{run}.yaml", folder / f"line-{run}.vcd"
    path.write_text(json.dumps(fixture), encoding="utf-8")
    kind = fixture["adapter"]["kind"]
    bursts: Bursts = []
    url = f"sim://{path}?run=own-{run}&line={line}"
    with Adapter(url, kind=kind).open() as adapter:

        def keep(sent: bytes, heard: bytes, baud: int, stop_bits: int) -> None:
            bursts.append(
                SeenBurst(
                    number=len(bursts),
                    sent=sent,
                    heard=heard,
                    bit_us=1e6 / adapter.grid.achieved(baud),
                    stop_bits=stop_bits,
                )
            )

        adapter.on_traffic = keep
        bus = Bus(adapter)
        roms = [RomCode.parse(d["rom_code"]) for d in fixture["simulation"]["devices"]]
        for number, name in enumerate(operations):
            _do(bus, name, roms[number % len(roms)])
        bus.clock.sleep(0.01)
        adapter.hear()
    tracer = RecordingTracer(open_recording(line), keep_lows=True)
    return bursts, tracer.run()


def _do(bus: Bus, name: str, rom: RomCode) -> None:
    if name == "search":
        enumerate_devices(bus)
    elif name == "match":
        bus.transact(rom, b"\xbe", 9)
    elif name == "skip":
        bus.transact(None, b"\x44")
    elif name == "reset":
        bus.reset()
    elif rom.family in FAST_FAMILIES:
        with overdrive(bus):
            bus.transact(rom, b"\xf0\x00\x00", 8)


def compared(bursts: Bursts, trace: TraceRecord) -> EchoComparison:
    assert trace.lows_us is not None
    starts, ends = trace.lows_us
    view = ReceiverView(starts_us=starts, ends_us=ends, doubt_us=trace.doubt_us)
    return compare_echoes(view, bursts)


families = st.sampled_from(FAST_FAMILIES + SLOW_FAMILIES)
populations = st.lists(
    st.tuples(families, st.integers(1, 2**40)), min_size=1, max_size=3, unique=True
)


@given(
    population=populations,
    operations=st.lists(
        st.sampled_from(["search", "match", "skip", "reset", "overdrive"]),
        min_size=3,
        max_size=4,
    ),
    kind=st.sampled_from(KINDS),
    seed=st.integers(0, 1000),
)
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=(Phase.generate,),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_a_recorded_line_decodes_to_the_frames_and_echoes(
    tmp_path: Path,
    population: list[tuple[int, int]],
    operations: list[str],
    kind: str,
    seed: int,
) -> None:
    """Any devices, any adapter, both speeds: every character is found, every echo agrees.

    The lows of the host are those of its characters, to the rise of the line.
    """
    devices = [
        {"family": family, "rom_code": str(RomCode.build(family, serial))}
        for family, serial in population
    ]
    fixture = {
        "adapter": {"kind": kind},
        "line": {"pull_up_ohm": 1000, "cable_m": 0},
        "simulation": {"devices": devices, "seed": seed, "adapter": {"error_ppm": 0}},
    }
    bursts, trace = recorded(tmp_path, fixture, ["search", *operations])
    found = compared(bursts, trace)
    assert found.frames_found == found.frames > 0
    assert found.compared == found.characters == sum(len(b.sent) for b in bursts)
    assert (found.wrong, found.left_out) == ([], {})
    for held in found.held:
        assert held.low_us >= held.own_low_us - RISE_US
    seen = {str(rom) for rom, _ in trace.roms}
    assert seen == {device["rom_code"] for device in devices}
    # nobody pulls in a command that the host writes: its lows are the characters' own
    written = [h for h in found.held if h.low_us - h.own_low_us < RISE_US]
    assert len(written) > 8


def test_a_damaged_echo_is_found(tmp_path: Path) -> None:
    """One bit of one echo other than the line had it: that one, at its time."""
    fixture = {
        "adapter": {"kind": "fractional-divider"},
        "line": {"pull_up_ohm": 2200, "cable_m": 1},
        "simulation": {
            "devices": [{"family": 0x28, "rom_code": str(RomCode.build(0x28, 5))}]
        },
    }
    bursts, trace = recorded(tmp_path, fixture, ["search", "match", "match"])
    place = next(n for n, b in enumerate(bursts) if len(b.sent) > 80)
    burst = bursts[place]
    heard = bytearray(burst.heard)
    heard[40] ^= 0x80
    bursts[place] = SeenBurst(
        number=burst.number, sent=burst.sent, heard=bytes(heard), bit_us=burst.bit_us
    )
    found = compared(bursts, trace)
    assert found.wrong_count == 1
    assert "the echo is" in found.wrong[0][1]


def test_a_recording_of_another_run_is_told_so(tmp_path: Path) -> None:
    """Other devices said other bits: nothing of the run is found in it."""

    def bench(serial: int) -> dict[str, Any]:
        rom = str(RomCode.build(0x28, serial))
        return {
            "adapter": {"kind": "fractional-divider"},
            "line": {"pull_up_ohm": 2200, "cable_m": 1},
            "simulation": {"devices": [{"family": 0x28, "rom_code": rom}]},
        }  # fmt: skip

    _, trace = recorded(tmp_path, bench(0x123456), ["match", "match"])
    bursts, _ = recorded(tmp_path, bench(0xABCDEF), ["match", "match"])
    assert compared(bursts, trace).frames_found == 0


def test_a_recording_that_begins_in_the_middle(tmp_path: Path) -> None:
    """Run and recording need not begin together: what is there is compared."""
    fixture = {
        "adapter": {"kind": "fractional-divider"},
        "line": {"pull_up_ohm": 2200, "cable_m": 1},
        "simulation": {
            "devices": [
                {"family": 0x28, "rom_code": str(RomCode.build(0x28, serial))}
                for serial in (5, 77, 1234)
            ]
        },
    }
    bursts, trace = recorded(
        tmp_path, fixture, ["search", "match", "match", "match", "search"]
    )
    assert trace.lows_us is not None
    starts, ends = trace.lows_us
    begin, until = len(starts) // 3, 4 * len(starts) // 5
    view = ReceiverView(
        starts_us=starts[begin:until], ends_us=ends[begin:until], doubt_us=0.001
    )
    found = compare_echoes(view, bursts)
    whole = compared(bursts, trace)
    assert 0 < found.frames_found < whole.frames
    # the last frame in the part is cut: one message for the characters that are missing
    assert found.wrong_count <= 1
    assert found.agree > 50


DEMO = Path(__file__).parents[2] / "fixtures" / "demo_bench.yaml"
PLAN = """\
plan: recorded
steps:
  - enumerate: {at_least: 1}
  - measure: {what: line}
"""


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A run of the shipped bench with its line recorded: the file, and the journal."""
    folder = tmp_path_factory.mktemp("own")
    plan = folder / "plan.yaml"
    plan.write_text(PLAN)
    request = RunRequest(
        plan=load_plan(plan),
        fixture=load_fixture(DEMO),
        into=folder / "run",
        reports=False,
        line=LineRecording(path=folder / "line.vcd"),
        echoes=True,
    )
    result = execute(request)
    assert result.exit_code == 0
    return folder / "line.vcd", result.journal


def test_an_independent_reader_reads_our_recordings(run: tuple[Path, Path]) -> None:
    """Every variable, and as many changes of the line as we read ourselves."""
    line, _ = run
    vcd = VCDVCD(str(line))
    names = {name.split("[")[0] for name in vcd.references_to_ids}
    sockets = {f"bench.A{n}" for n in range(1, 9)}
    assert names == {"bench.line", "bench.volts", "bench.host"} | sockets
    changes = vcd["bench.line"].tv
    trace = RecordingTracer(open_recording(line)).run()
    assert trace.channel == "bench.line"
    assert len(changes) - 1 == trace.edges
    volts = [float(value) for _, value in vcd["bench.volts"].tv]
    assert 0 <= min(volts) < 0.5
    assert max(volts) == 5.0


def test_who_pulls_is_on_a_wire_of_its_own(run: tuple[Path, Path]) -> None:
    """A presence pulse is pulled by devices, a reset by the host; the line follows both."""
    line, _ = run
    host = RecordingTracer(open_recording(line, channel="host")).run()
    device = RecordingTracer(open_recording(line, channel="A1")).run()
    both = RecordingTracer(open_recording(line, channel="line")).run()
    # a presence pulse that runs into the host's next low can be as long as a reset
    assert 30 < host.resets <= both.resets
    assert host.answered < both.answered
    assert device.edges > 0


def test_volts_of_our_recording_decode_alike(run: tuple[Path, Path]) -> None:
    """The real variable, with thresholds of its own, gives the same devices and slots.

    Its rising threshold is higher, so its lows are longer: a zero that a device holds
    hardly longer than a one is read there, and maybe not at the receiver's threshold. The
    measurement makes lows near to the border of a reset on purpose: one in a thousand
    may fall on the other side of it.
    """
    line, _ = run
    volts = RecordingTracer(open_recording(line, channel="volts")).run()
    level = RecordingTracer(open_recording(line, channel="line")).run()
    assert {rom for rom, _ in level.roms} == {rom for rom, _ in volts.roms}
    assert len(volts.roms) == 8
    assert volts.slots == pytest.approx(level.slots, rel=1e-3)
    assert volts.analog is not None
    assert volts.analog.high_v == pytest.approx(5.0, abs=0.1)


def test_recording_and_journal_side_by_side(
    run: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every echo agrees, each time that the line shows holds; the others are listed.

    The bench's adapter is off by 300 ppm, which the recording shows and the run states
    within its uncertainty.
    """
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())
    line, journal = run
    result = judge(
        TraceRequest(recording=line, journal=journal, into=tmp_path / "trace")
    )
    steps = {step.step: step for step in result.record.steps}
    assert steps["echoes"].outcome is Outcome.PASSED
    assert steps["times"].outcome is Outcome.PASSED
    (times,) = steps["times"].results
    values = {m.name: m.value for m in times.shown.measurements}
    assert values["clock_error, recorded"] == pytest.approx(300, abs=1)
    assert abs(float(values["presence_end, E_n"])) <= 1
    assert any("no line shows it" in note for note in times.notes)
    recording = result.record.recording
    assert recording is not None
    assert recording.echoes is not None
    assert recording.echoes.disagree == 0
    assert recording.echoes.resets_found == recording.echoes.resets
    held = [t.name for t in recording.times if t.holds]
    assert held[0] == "clock_error"
    page = (result.folder / "report.html").read_text()
    assert "The run against its recording" in page


def test_volts_beside_a_journal_are_read_as_the_receiver_took_them(
    run: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Echoes agree at its thresholds, and the rise time that the run states holds."""
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())
    line, journal = run
    result = judge(
        TraceRequest(
            recording=line, journal=journal, into=tmp_path / "trace", channel="volts"
        )
    )
    steps = {step.step: step for step in result.record.steps}
    assert steps["echoes"].outcome is Outcome.PASSED
    assert steps["times"].outcome is Outcome.PASSED
    (times,) = steps["times"].results
    values = {m.name: m.value for m in times.shown.measurements}
    assert abs(float(values["rise_time, E_n"])) <= 1
    assert result.trace.analog is not None
    assert result.trace.analog.from_receiver


def test_a_journal_without_echoes_is_told_so(
    run: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.results.plots.run.recording_figures", lambda _: ())
    line, journal = run
    bare = tmp_path / "journal.jsonl"
    lines = journal.read_text().splitlines(keepends=True)
    bare.write_text("".join(t for t in lines if '"event":"traffic"' not in t))
    result = judge(TraceRequest(recording=line, journal=bare, into=tmp_path / "trace"))
    (echoes,) = [s for s in result.record.steps if s.step == "echoes"]
    assert echoes.outcome is Outcome.ERROR
    assert "--echoes" in echoes.results[0].shown.hint


def test_the_size_that_is_told_beforehand(run: tuple[Path, Path]) -> None:
    """Bytes for each slot are those of the shipped bench, within a quarter."""
    line, _ = run
    trace = RecordingTracer(open_recording(line)).run()
    assert line.stat().st_size / trace.slots == pytest.approx(BYTES_A_SLOT, rel=0.25)


def test_the_last_seconds_alone(tmp_path: Path) -> None:
    """A recording may keep its end only: it is whole in itself, and no part is left."""
    plan = tmp_path / "plan.yaml"
    plan.write_text("plan: long\nsteps:\n  - reset: {times: 600}\n")
    line = tmp_path / "line.vcd"
    request = RunRequest(
        plan=load_plan(plan),
        fixture=load_fixture(DEMO),
        into=tmp_path / "run",
        reports=False,
        line=LineRecording(path=line, last_s=0.4),
    )
    execute(request)
    trace = RecordingTracer(open_recording(line)).run()
    # a quarter more at most: what is kept is kept in four parts
    assert 0.4 <= trace.duration_s <= 0.4 * 1.5 + 0.1
    assert trace.answered == trace.resets > 100
    assert [path for path in tmp_path.iterdir() if ".vcd." in path.name] == []


def test_a_recording_of_hardware_is_refused(tmp_path: Path) -> None:
    fixture = tmp_path / "bench.yaml"
    fixture.write_text(
        "fixture: one\nadapter:\n  port: /dev/ttyUSB0\n"
        "line:\n  pull_up_ohm: 2200\n  supply_v: 5.0\nsockets:\n  - name: A1\n"
    )
    plan = tmp_path / "plan.yaml"
    plan.write_text("plan: short\nsteps:\n  - reset: {times: 1}\n")
    with pytest.raises(UsageError, match="only echoes are seen"):
        RunRequest(
            plan=load_plan(plan),
            fixture=load_fixture(fixture),
            line=LineRecording(path=tmp_path / "line.vcd"),
        )


def test_no_recording_is_overwritten(tmp_path: Path) -> None:
    line = tmp_path / "line.vcd"
    line.write_text("mine")
    plan = tmp_path / "plan.yaml"
    plan.write_text("plan: short\nsteps:\n  - reset: {times: 1}\n")
    with pytest.raises(UsageError, match="exists already"):
        RunRequest(
            plan=load_plan(plan),
            fixture=load_fixture(DEMO),
            line=LineRecording(path=line),
        )
    assert line.read_text() == "mine"
