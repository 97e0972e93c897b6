"""Soaks from the command line: told beforehand, killed, taken up again, with events."""

from __future__ import annotations

import contextlib
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from harness.results.reports.rebuild import read_record
from harness.results.soak.events import SoakCount

Make = Callable[..., Any]
COMMAND = [sys.executable, "-c", "from harness.cli import main; main()"]


@pytest.fixture
def files(tmp_path: Path, bench_data: Make, new_device: Make) -> Make:
    """Write a soak plan and a fixture of two thermometers; their paths."""

    def write(**soak: Any) -> tuple[Path, Path]:  # noqa: ANN401 - keys of the step
        plan, fixture = tmp_path / "plan.yaml", tmp_path / "bench.yaml"
        steps = [{"soak": {"every_s": 30, **soak}}]
        plan.write_text(yaml.safe_dump({"plan": "invented night", "steps": steps}))
        data = bench_data([new_device(0x28, 5), new_device(0x28, 6)])
        fixture.write_text(yaml.safe_dump(data))
        return plan, fixture

    return write


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def _lines(journal: Path) -> int:
    return journal.read_bytes().count(b"soak_progress") if journal.exists() else 0


@pytest.mark.slow
def test_killed_and_taken_up_again(files: Make, tmp_path: Path) -> None:
    """After kill -9 the soak goes on from its last counted round, to its planned end."""
    plan, fixture = files(cycles=600)
    into = tmp_path / "out"
    journal = into / "journal.jsonl"
    asked = ["run", plan, "--fixture", fixture]
    with subprocess.Popen(
        [*COMMAND, *map(str, [*asked, "--into", into])], stdout=subprocess.DEVNULL
    ) as running:
        while running.poll() is None and _lines(journal) < 20:
            with contextlib.suppress(subprocess.TimeoutExpired):
                running.wait(0.02)
        running.kill()
    hints = {r.shown.hint for _, r in read_record(journal).results}
    typed = shlex.join([*map(str, ["slotproof", *asked, "--resume", journal])])
    assert any(
        hint.endswith(f"the run goes on where it was with: {typed}") for hint in hints
    )
    counted = read_record(journal).soaks[0].cycles
    assert 20 <= counted < 600
    done = run(*asked, "--resume", journal)
    assert done.returncode == 0, done.stderr
    record = read_record(journal)
    assert record.resumed == 1
    assert record.soaks[0].cycles == 600
    assert record.soaks[0].sum_of(SoakCount.READINGS) == 1200
    assert (into / "report.html").exists()
    again = run(*asked, "--resume", journal)
    assert again.returncode == 2
    assert "came to its end" in again.stderr
    assert "Traceback" not in again.stderr


def test_the_line_of_a_soak_is_written(files: Make, tmp_path: Path) -> None:
    """The line of a simulated bench over two rounds half a minute apart."""
    plan, fixture = files(cycles=2)
    line = tmp_path / "line.vcd"
    done = run("run", plan, "--fixture", fixture, "--line", line)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    last_ticks = [row for row in line.read_text().split() if row.startswith("#")][-1]
    assert int(last_ticks[1:]) > 30e9  # 30 s in ns


@pytest.mark.slow
def test_check_tells_what_a_soak_can_prove(files: Make) -> None:
    """Without hardware: readings, claims, time needed, and the room in the journal."""
    plan, fixture = files(for_s=28_800, claim={"error_rate": 0.01})
    told = run("check", plan, fixture)
    assert told.returncode == 0, told.stderr
    assert "960 readings of each device" in told.stdout
    assert "for the bus of 2" in told.stdout
    assert "to demonstrate 0.01 with no error takes 299 readings" in told.stdout
    assert "at most 64 MB" in told.stdout


@pytest.mark.slow
def test_events_from_the_command_line(files: Make, tmp_path: Path) -> None:
    """--events is read into the journal; a file that is not there is a clear mistake."""
    plan, fixture = files(cycles=4)
    happened = tmp_path / "doors.csv"
    asked = ["run", plan, "--fixture", fixture, "--into", tmp_path / "out"]
    absent = run(*asked, "--events", happened)
    assert absent.returncode == 2
    assert "no such event file" in absent.stderr
    assert not (tmp_path / "out").exists()
    happened.write_text("time,text\n40,door opened\n")
    assert run(*asked, "--events", happened).returncode == 0
    (event,) = read_record(tmp_path / "out" / "journal.jsonl").soaks[0].happened
    assert event.text == "door opened"


def test_resume_and_into_exclude_each_other(files: Make, tmp_path: Path) -> None:
    """A resumed run stays in its own folder."""
    plan, fixture = files(cycles=4)
    told = run("run", plan, "--fixture", fixture, "--into", tmp_path, "--resume", plan)
    assert told.returncode == 2
    assert "leave --into out" in told.stderr


@pytest.mark.slow
def test_ctrl_c_says_how_to_go_on(files: Make, tmp_path: Path) -> None:
    """After Ctrl-C terminal and JUnit hold the command that takes the soak up again."""
    plan, fixture = files(cycles=6000)
    into = tmp_path / "out with blank"
    asked = [plan, "--fixture", fixture, "--into", into]
    with subprocess.Popen(
        [*COMMAND, "run", *map(str, asked)], stdout=subprocess.PIPE, text=True
    ) as running:
        while running.poll() is None and _lines(into / "journal.jsonl") < 5:
            with contextlib.suppress(subprocess.TimeoutExpired):
                running.wait(0.02)
        alive = run(
            "run", plan, "--fixture", fixture, "--resume", into / "journal.jsonl"
        )
        running.send_signal(signal.SIGINT)
        output, _ = running.communicate(timeout=60)
    assert alive.returncode == 2
    assert "this run is still going on" in alive.stderr
    assert running.returncode == 130
    typed = f"--resume {shlex.quote(str(into / 'journal.jsonl'))}"
    assert typed in " ".join(output.split())
    assert typed in (into / "junit.xml").read_text(encoding="utf-8")
    assert not (into / "journal.running").exists()
