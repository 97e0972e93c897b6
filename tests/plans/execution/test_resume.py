"""A run that was cut goes on from its journal, the gap accounted for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.plans.execution.connection import connect
from harness.plans.execution.resume import read_resumption
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import parse_plan
from harness.records import Outcome
from harness.results.journal.owner import Ownership
from harness.results.journal.writer import read_events
from harness.results.record.run import RunRecord
from harness.results.record.steps import Ending
from harness.results.reports.rebuild import read_record, rebuild
from harness.results.soak.events import SoakCount

Make = Callable[..., Any]

PLAN = """\
plan: invented night
parameters: {every_s: 30}
steps:
  - enumerate: {count: 2}
  - soak: {for_s: 3600, every_s: $every_s, retries: 1, tolerate: {lost_readings: 50}}
  - verify: {sockets: all}
"""


@pytest.fixture
def two(bench_data: Make, new_device: Make) -> Make:
    """Make fixture data of two thermometers, powered up at a time of day."""

    def make(clock: str = "20:00:00", **more: Any) -> Any:  # noqa: ANN401
        devices = [new_device(0x28, 5, temperature_degc=20.0), new_device(0x28, 6)]
        data = bench_data(devices, **more)
        data["simulation"]["calendar"] = f"2026-03-01T{clock}Z"
        return data

    return make


@pytest.fixture
def go(write_fixture: Make, tmp_path: Path) -> Make:
    """Run the plan, anew or taking up the journal that is there; the record."""

    def run(data: Any, *, text: str = PLAN, resume: bool = False) -> RunRecord:  # noqa: ANN401
        from harness.results.journal.writer import Journal

        plan, fixture = parse_plan(text, "plan.yaml"), write_fixture(data)
        folder = tmp_path / "run"
        path = folder / "journal.jsonl"
        resumed = read_resumption(path, plan, fixture) if resume else None
        with (
            connect(fixture) as bus,
            resumed.open_journal(bus.clock)
            if resumed
            else Journal.create(folder, bus.clock) as journal,
        ):
            Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=Nobody(),
                resumed=resumed,
                go_on="slotproof run --resume here",
            ).run()
        return read_record(path)

    return run


class Nobody:
    def ask(self, text: str, *, yes_no: bool) -> bool:
        raise AssertionError(text)


def cut(folder: Path, *, cycles: int, torn: int = 40) -> Path:
    """What a power cut leaves: the lines up to a round, and a piece of the next."""
    path = folder / "run" / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    last = max(
        n for n, line in enumerate(lines)
        if b'"soak_progress"' in line and f'"cycle":{cycles},'.encode() in line
    )  # fmt: skip
    path.write_bytes(b"".join(lines[: last + 1]) + lines[last + 1][:torn])
    return path


def values(record: RunRecord, socket: str = "") -> dict[str, Any]:
    for step, result in record.results:
        if step.kind == "soak" and (result.device.socket if result.device else "") == (
            socket
        ):
            return {m.name: m.value for m in result.shown.measurements}
    raise AssertionError(socket)


def test_power_cut_and_resume(go: Make, two: Make, tmp_path: Path) -> None:
    """Half the night before the cut and half after make one night; the gap is told."""
    fault = {"kind": "device-drops-off", "device": "S2", "at_s": 600, "for_s": 100}
    go(two(faults=[fault]))
    path = cut(tmp_path, cycles=50)
    before = path.read_bytes()
    lost = read_record(path).soaks[0].sum_of(SoakCount.LOST)
    record = go(two("21:00:00"), resume=True)
    assert path.read_bytes() == before  # not a byte of the first part is touched
    assert (path.with_name("journal.2.jsonl")).exists()
    assert (record.ending, record.resumed, record.lines_lost) == (Ending.COMPLETE, 1, 1)
    assert record.outcome is Outcome.PASSED
    assert record.disagreements == ()
    assert values(record)["cycles"] == 120
    assert values(record)["lost_readings"] == lost > 0
    assert values(record, "S1")["readings"] == 120
    assert values(record, "S1")["temperature_lowest"] == 20.0
    (night,) = record.soaks
    assert (night.cycles, night.resumed) == (120, 1)
    assert (
        night.sum_of(SoakCount.READINGS)
        == values(record, "S1")["readings"] + (values(record, "S2")["readings"])
    )
    (gap,) = night.gaps
    # 50 rounds of 30 s from 20:00 on, then dark until 21:00
    assert gap.to_s - gap.from_s == pytest.approx(3600 - 50 * 30, abs=60)
    assert "taken up again" in gap.text
    assert night.elapsed_s == pytest.approx(3600, abs=31)
    times = [e["t_s"] for e in read_events(path) if "t_s" in e]
    assert times == sorted(times)


def test_reports_tell_of_the_resumption(go: Make, two: Make, tmp_path: Path) -> None:
    """Report and facts name the cut, and are rebuilt from both parts alone."""
    go(two())
    path = cut(tmp_path, cycles=50)
    go(two("21:00:00"), resume=True)
    rebuild(path, tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "cut and taken up again: 1;" in page
    assert "the run was cut or ended, and taken up again" in page


def test_cut_twice(go: Make, two: Make, tmp_path: Path) -> None:
    """A run may be cut more than once; each time the next part begins."""
    go(two())
    path = cut(tmp_path, cycles=30)
    go(two("21:00:00"), resume=True)
    second = path.with_name("journal.2.jsonl")
    lines = second.read_bytes().splitlines(keepends=True)
    second.write_bytes(b"".join(lines[: len(lines) // 2]))
    record = go(two("22:00:00"), resume=True)
    assert path.with_name("journal.3.jsonl").exists()
    assert record.resumed == 2
    assert values(record, "S1")["readings"] == 120


def test_finished_soaks_stand(go: Make, two: Make, tmp_path: Path) -> None:
    """A soak that had come to its end is not run again; the steps after it are."""
    go(two())
    path = tmp_path / "run" / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    end = next(
        n for n, line in enumerate(lines)
        if b'"step_done"' in line and b'"step":"2"' in line
    )  # fmt: skip
    path.write_bytes(b"".join(lines[: end + 1]))
    record = go(two("21:30:00"), resume=True)
    assert record.outcome is Outcome.PASSED
    assert values(record)["cycles"] == 120
    assert record.soaks[0].resumed == 0
    assert record.steps[2].outcome is Outcome.PASSED


def test_calendar_that_went_backwards(go: Make, two: Make, tmp_path: Path) -> None:
    """Where the clock was lost with the power, the gap is of unknown length, and said so."""
    go(two())
    cut(tmp_path, cycles=50)
    record = go(two("03:00:00"), resume=True)
    (gap,) = record.soaks[0].gaps
    assert "not known" in gap.text
    assert values(record)["cycles"] == 120


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"text": PLAN.replace("every_s: 30", "every_s: 20")}, "plan or its parameters"),
        ({"fixture": "another bench"}, "fixture is another one"),
        ({"sockets": "fewer"}, "fixture is another one"),
    ],
)  # fmt: skip
def test_only_the_same_run_goes_on(
    go: Make, two: Make, tmp_path: Path, change: dict[str, str], complaint: str
) -> None:
    """Another plan, parameter, fixture or socket is refused, and nothing is written."""
    go(two())
    path = cut(tmp_path, cycles=50)
    data = two("21:00:00")
    if "fixture" in change:
        data["fixture"] = change["fixture"]
    if "sockets" in change:
        data["sockets"].pop()
        data["simulation"]["devices"].pop()
    with pytest.raises(UsageError, match=complaint):
        go(data, text=change.get("text", PLAN), resume=True)
    assert not path.with_name("journal.2.jsonl").exists()


def test_a_run_that_ended_is_not_taken_up(go: Make, two: Make) -> None:
    """There is nothing to go on with after the end."""
    go(two())
    with pytest.raises(UsageError, match="came to its end"):
        go(two("21:00:00"), resume=True)


def test_a_run_whose_adapter_cannot_be_proved_stays_open(
    go: Make, two: Make, tmp_path: Path
) -> None:
    """Taken up with the adapter off the line: an error, and with it back the run goes on."""
    go(two())
    cut(tmp_path, cycles=50)
    off = two("20:40:00", faults=[{"kind": "adapter-no-echo"}])
    for _ in range(2):
        record = go(off, resume=True)
        assert record.outcome is Outcome.ERROR
        assert record.could_not_go_on
    record = go(two("21:00:00"), resume=True)
    assert record.outcome is Outcome.PASSED
    assert not record.could_not_go_on
    assert record.disagreements == ()
    assert record.resumed == 3
    assert values(record)["cycles"] == 120
    with pytest.raises(UsageError, match="came to its end"):
        go(two("22:00:00"), resume=True)


def test_a_run_that_still_goes_on_is_not_taken_up(
    go: Make, two: Make, tmp_path: Path
) -> None:
    """Its journal is being written to: refused, and nothing is written."""
    go(two())
    path = cut(tmp_path, cycles=50)
    ownership = Ownership(path)
    with pytest.raises(UsageError, match="still going on"):
        go(two("21:00:00"), resume=True)
    assert not path.with_name("journal.2.jsonl").exists()
    ownership.release()
    assert go(two("21:00:00"), resume=True).outcome is Outcome.PASSED


def test_parts_that_overlap_are_noticed(go: Make, two: Make, tmp_path: Path) -> None:
    """The first run went on beside the second: each round counts once, and it is an error."""
    go(two())
    path = tmp_path / "run" / "journal.jsonl"
    whole = path.read_bytes()
    cut(tmp_path, cycles=50)
    assert go(two("21:00:00"), resume=True).outcome is Outcome.PASSED
    path.write_bytes(b"".join(whole.splitlines(keepends=True)[:-10]))
    record = read_record(path)
    assert record.outcome is Outcome.ERROR
    (overlap,) = [r.shown for s, r in record.results if s.kind == "run"]
    assert overlap.kind == "overlap"
    assert "rounds of a soak stand in it twice" in overlap.message
    (night,) = record.soaks
    assert night.cycles == 120
    assert night.sum_of(SoakCount.READINGS) <= 240


def test_an_adapter_lost_for_good_is_gone_on_from(go: Make, two: Make) -> None:
    """The soak waits in vain and ends in an error; with the adapter back it goes on.

    The round that the adapter spoilt counts nothing, and the steps after it are done
    again.
    """
    lost = go(two(faults=[{"kind": "adapter-unplugged", "at_s": 905.0}]))
    assert lost.outcome is Outcome.ERROR
    (soak,) = [s for s in lost.steps if s.kind == "soak"]
    (bus,) = [r.shown for r in soak.results if r.device is None]
    assert bus.kind == "adapter-unplugged"
    assert bus.hint.endswith("goes on where it was with: slotproof run --resume here")
    assert values(lost)["invalid_readings"] == 0
    counted = lost.soaks[0].cycles
    record = go(two("21:30:00"), resume=True)
    assert record.outcome is Outcome.PASSED, [r.shown for _, r in record.results]
    assert record.disagreements == ()
    assert 20 < counted < 40
    assert values(record)["cycles"] == 120
    assert values(record, "S1")["readings"] == 120
    assert record.soaks[0].sum_of(SoakCount.READINGS) == 240
