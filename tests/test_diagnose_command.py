"""`slotproof diagnose`, the step of that name, and `diagnose: true` of a plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from harness.cli import app
from harness.records import Outcome
from harness.results.diagnosis.lines import diagnosis_lines
from harness.results.journal.writer import read_events
from harness.results.record.run import RunRecord

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

pytestmark = pytest.mark.slow

SHORT = (
    "- diagnose: {listen_s: 1, scans: 2, verifies: 6, reads: 4, rounds: 1, alone: 1}"
)


@pytest.fixture
def diagnose(tmp_path: Path, bench_data: Make, new_device: Make) -> Make:
    """Run the command on two thermometers and a serial number, with faults."""

    def run(*faults: dict[str, Any]) -> Any:  # noqa: ANN401 - a result of the runner
        devices = [new_device(0x28, 5), new_device(0x28, 6), new_device(0x01, 7)]
        path = tmp_path / "bench.yaml"
        path.write_text(
            yaml.safe_dump(bench_data(devices, faults=list(faults))), encoding="utf-8"
        )
        into = tmp_path / "results"
        arguments = ["diagnose", "--fixture", str(path), "--into", str(into)]
        return CliRunner().invoke(app, arguments)

    return run


def test_a_sound_bench_passes(diagnose: Make, tmp_path: Path) -> None:
    """Exit code 0, one page, and the files of any run."""
    result = diagnose()
    assert result.exit_code == 0, result.output
    assert "DIAGNOSIS: nothing wrong was found" in result.output
    assert "ruled out: receive line (RX) inverted; " in result.output
    assert {"junit.xml", "journal.jsonl"} <= {
        p.name for p in (tmp_path / "results").iterdir()
    }


def test_every_probe_is_in_the_journal_as_it_goes(
    diagnose: Make, tmp_path: Path
) -> None:
    """Begun and done, in turn: what an examination was at shows even if it is cut."""
    diagnose()
    events = list(read_events(tmp_path / "results" / "journal.jsonl"))
    probes = [e for e in events if e["event"].startswith("probe_")]
    names = [e["name"] for e in probes if e["event"] == "probe_started"]
    assert names[:3] == ["adapter", "idle line", "resets"]
    assert [e["event"] for e in probes] == ["probe_started", "probe_done"] * len(names)
    assert [e["name"] for e in probes[1::2]] == names
    assert all(e["took_s"] >= 0 and not e["broke_off"] for e in probes[1::2])


def test_the_page_says_cause_numbers_and_what_to_try(diagnose: Make) -> None:
    """An empty socket: named, proved, and one thing to do."""
    result = diagnose({"kind": "device-absent", "device": "S2"})
    assert result.exit_code == 1, result.output
    page = result.output[result.output.index("DIAGNOSIS") :]
    assert "1. Device absent: S2 " in page
    assert "measured: 0 of 30 directed searches answered, others 60 of 60" in page
    assert "look first: reseat S2" in page


def test_a_bench_that_cannot_begin_is_examined_all_the_same(
    diagnose: Make, tmp_path: Path
) -> None:
    """Silence from the start: an error, with what would tell its causes apart."""
    result = diagnose({"kind": "line-shorted"})
    assert result.exit_code == 3, result.output
    assert (
        "No echo (data line low, or receive lead open) (fault, undecided)"
        in result.output
    )
    assert "data line stuck low: the idle line measures near 0 V" in result.output
    assert "receive lead (RX) open: " in result.output
    record = RunRecord.from_events(read_events(tmp_path / "results" / "journal.jsonl"))
    ((_, shown),) = record.results
    assert shown.shown.kind == "undecided: silent"
    assert shown.shown.evidence["diagnosis"]["found"]["adapter"]["ones"]["silent"] == 3


def test_the_step_is_part_of_any_plan(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Evidence and findings are in the journal; the page is rebuilt from it."""
    data = bench_data(
        [new_device(0x28, 5), new_device(0x28, 6)],
        faults=[{"kind": "stuck-at-power-on", "device": "S2"}],
    )
    ran = run_plan(f"- reset: {{}}\n{SHORT}", data)
    result = ran.shown("2")
    assert result.outcome is Outcome.FAILED
    assert result.kind == "supply: restart"
    assert "restarted while it converted" in result.message
    names = {m.name for m in result.measurements}
    assert {"round_trip_median", "slot_rate", "rise_time", "devices"} <= names
    lines = diagnosis_lines(ran.record)
    assert lines[0] == "DIAGNOSIS"
    assert any(
        line.startswith("1. Device restarts (supply interrupted): ") for line in lines
    )


def test_failed_steps_carry_a_short_diagnosis_where_the_plan_wants_it(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """The message ends on a cause; without the key it does not."""
    data = bench_data(
        [new_device(0x28, 5), new_device(0x28, 6)],
        faults=[{"kind": "stuck-at-power-on", "device": "S2"}],
    )
    steps = "- read: {quantity: temperature}"
    plain = run_plan(steps, data).shown("1", "S2")
    told = run_plan(steps, data, diagnose=True).shown("1", "S2")
    assert "diagnosis" not in plain.message
    assert "diagnosis: device restarts (supply interrupted), " in told.message
    assert "diagnosis" in told.evidence
    assert told.hint.startswith("reseat S2")


def test_what_the_plan_told_of_the_wiring_outlives_a_diagnosis(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A diagnosis drops what may be untrue after a restart; a resistor is no such thing."""
    steps = f"""
- configure: {{settings: {{sense_mohm: 25}}}}
{SHORT}
- read: {{quantity: current, low: -1, high: 1}}
"""
    ran = run_plan(steps, bench_data([new_device(0x26, 5)]))
    assert ran.code == 0, ran.record.results


def test_a_fault_that_is_over_is_said_to_be_over(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A limit missed on a sound bus: nothing wrong is found, the step's hint stays."""
    data = bench_data([new_device(0x28, 5, temperature_degc=30)])
    ran = run_plan(
        "- read: {quantity: temperature, high: 20}", data, diagnose=True
    ).shown("1", "S1")
    assert "nothing wrong is found now" in ran.message
    assert "compare with a reference" in ran.hint
