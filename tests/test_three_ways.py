"""One plan, one bench, three ways to it: in process, a real tty, RFC 2217.

The last two run in real time, against the bench served by a process of its own.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

import harness
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import load_fixture, parse_plan
from harness.results.journal.writer import Journal, read_events
from harness.results.record.run import RunRecord

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

PLAN = """\
plan: short proof
steps:
  - reset: {times: 3}
  - enumerate: {match_sockets: true}
  - configure: {settings: {resolution_bits: 9, alarm_high_degc: 60}}
  - read: {quantity: temperature, low: 10, high: 21, unit: degC}
  - read: {quantity: power_supply, wanted: external}
  - stress: {slot: write-0, low_us: [60], slots: 8}
"""

_SERVE = "from harness.cli import main; main()"


@contextmanager
def served(fixture: Path, *how: str) -> Iterator[str]:
    """The bench command in a process of its own; the port that it announces."""
    root = str(Path(harness.__file__).parents[1])
    with subprocess.Popen(
        [sys.executable, "-c", _SERVE, "bench", str(fixture), *how],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": root, "PYTHONUNBUFFERED": "1"},
    ) as bench:
        assert bench.stdout is not None
        try:
            yield bench.stdout.readline().removeprefix("port: ").strip()
        finally:
            bench.send_signal(signal.SIGINT)
            bench.communicate()
    assert bench.returncode == 0


def run_on(fixture_path: Path, folder: Path) -> RunRecord:
    """Run the plan of this module."""
    fixture = load_fixture(fixture_path)
    with connect(fixture) as bus, Journal.create(folder, bus.clock) as journal:
        Runner(
            plan=parse_plan(PLAN, "plan.yaml"),
            fixture=fixture,
            bus=bus,
            journal=journal,
            operator=Nobody(),
        ).run()
    return RunRecord.from_events(read_events(folder / "journal.jsonl"))


class Nobody:
    """No prompt in this plan."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Never called."""
        raise AssertionError(text)


def verdicts(record: RunRecord) -> list[tuple[object, ...]]:
    """Every verdict with the values behind it, but for times."""
    return [
        (
            step.step,
            result.device,
            str(result.outcome),
            result.shown.kind,
            [(m.name, m.value, m.unit) for m in result.shown.measurements],
        )
        for step, result in record.results
    ]


@pytest.fixture
def bench_file(bench_data: Make, new_device: Make, tmp_path: Path) -> Path:
    """A bench with a sound thermometer, one too warm, and a fault that shows."""
    devices = [
        new_device(0x28, 5, temperature_degc=20.5),
        new_device(0x28, 6, temperature_degc=24.0),
    ]
    path = tmp_path / "bench.yaml"
    path.write_text(yaml.safe_dump(bench_data(devices)), "utf-8")
    return path


def with_port(bench_file: Path, port: str) -> Path:
    """The same fixture with one line changed."""
    data = yaml.safe_load(bench_file.read_text("utf-8"))
    data["adapter"]["port"] = port
    path = bench_file.with_name("changed.yaml")
    path.write_text(yaml.safe_dump(data), "utf-8")
    return path


# pyserial 3.5 starts its RFC 2217 reader by methods that Python has given up
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs a Linux pty")
@pytest.mark.parametrize(
    "how",
    [pytest.param(["--tty"], marks=pytest.mark.unix), ["--rfc2217", "0"]],
    ids=["tty", "rfc2217"],
)
def test_same_verdicts_whichever_way(
    bench_file: Path, tmp_path: Path, how: list[str]
) -> None:
    """With one line of the fixture changed, verdicts and values are those of sim://."""
    in_process = run_on(bench_file, tmp_path / "sim")
    with served(bench_file, *how) as port:
        outside = run_on(with_port(bench_file, port), tmp_path / "outside")
    assert verdicts(outside) == verdicts(in_process)
    assert str(in_process.outcome) == "failed"
    assert in_process.adapter["port"].startswith("sim://")
    assert outside.adapter["port"] == port
    assert in_process.exit_code == outside.exit_code == 1


@pytest.mark.slow
def test_taken_tcp_port_is_told(bench_file: Path) -> None:
    """A TCP port that is in use is 3 and a message, for the bench as for an adapter."""
    with served(bench_file, "--rfc2217", "0") as port:
        number = port.rsplit(":", 1)[1]
        second = subprocess.run(
            [
                sys.executable,
                "-c",
                _SERVE,
                "bench",
                str(bench_file),
                "--rfc2217",
                number,
            ],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "PYTHONPATH": str(Path(harness.__file__).parents[1])},
        )
    assert second.returncode == 3
    assert f"port {number}" in second.stderr
    assert "Traceback" not in second.stderr
