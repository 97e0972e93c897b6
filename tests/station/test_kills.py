"""kill -9 and full disks: no lost or doubled unit, no verdict without a journal."""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from time import monotonic, perf_counter
from typing import Any

import pytest
import yaml

from harness import cli
from harness.records import Outcome
from harness.results.ledger.ledger import Ledger
from harness.station.shift.record import read_shift

Line = Any
"""A production line to rehearse on; conftest has its class."""

Begin = Callable[..., subprocess.Popen[str]]

MAIN = "from harness.cli import main; main()"

MOTHER = """
import os, sys
import harness.station.setup
from harness.cli import main
for _ in sys.stdin:
    child = os.fork()
    if not child:
        main()
    print(child, flush=True)
    _, status = os.waitpid(child, 0)
    print("over", os.waitstatus_to_exitcode(status), flush=True)
"""
"""Loads everything once, then makes a station of its own for each line it reads."""
KILLS = 50
UNITS = 120
"""Enough: each of the killed ones gets one unit through, or two, and the last the rest."""


@pytest.fixture
def station(line: Line, tmp_path: Path) -> Callable[..., Any]:
    """`slotproof station` as a process of its own, in the same folder each time."""
    feed = [{"serial": f"CS-{n:03d}", "devices": [n]} for n in range(1, UNITS + 1)]
    place = line.place("left", [line.probe(n) for n in range(1, UNITS + 1)], feed)
    plan = tmp_path / "plan.yaml"
    steps = [{"reset": {}}, {"enumerate": {"count": 1}}]
    plan.write_text(yaml.safe_dump({"plan": "quick unit", "steps": steps}))

    def begin(main: str = MAIN, **more: Any) -> subprocess.Popen[str]:  # noqa: ANN401
        return subprocess.Popen(
            [
                sys.executable, "-c", main, "station", "--plan", str(plan),
                "--fixture", place.path, "--ledger", str(tmp_path / "ledger.sqlite"),
                "--into", str(tmp_path / "results/shift"), "--lot", "lot 7",
            ],
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1]),
                 "PYTHONUNBUFFERED": "1",
                 # a full disk would leave half a file in the cache that tests share
                 "PYTHONDONTWRITEBYTECODE": "1"},
            **more,
        )  # fmt: skip

    return begin


@pytest.mark.slow
def test_killed_fifty_times_in_mid_write(station: Begin, tmp_path: Path) -> None:
    """Killed at random instants, then run to the end: every unit once, each test once."""
    chance = random.Random(5)
    with station(stdin=subprocess.PIPE, main=MOTHER) as mother:
        assert mother.stdin is not None
        assert mother.stdout is not None
        for kill in range(KILLS + 1):
            mother.stdin.write("another\n")
            mother.stdin.flush()
            child = int(mother.stdout.readline())
            for said in mother.stdout:
                if said.startswith("PASS") and kill < KILLS:
                    _pass_time(chance.uniform(0.0, 0.015))
                    os.kill(child, signal.SIGKILL)
                    break
                if said.startswith("over"):
                    break
            over = said if said.startswith("over") else _last_words(mother.stdout)
            # the last one comes to its end by itself
            assert over.split()[1] == ("-9" if kill < KILLS else "0")

    tests = read_shift(tmp_path / "results/shift").tests
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        booked = list(ledger.tests(whole=True))
        assert ledger.conflicts() == []
    by_run = {t.run_id: t for t in booked}
    assert len(by_run) == len(booked) == len(tests)
    assert by_run == {t.run_id: t for t in tests}
    passed = Counter(t.unit.serial for t in booked if t.outcome is Outcome.PASSED)
    assert passed == {f"CS-{n:03d}": 1 for n in range(1, UNITS + 1)}
    assert {t.ending for t in booked if t.outcome is not Outcome.PASSED} <= {"cut"}


def _last_words(lines: Iterable[str]) -> str:
    return next(said for said in lines if said.startswith("over"))


def _pass_time(duration_s: float) -> None:
    until = perf_counter() + duration_s
    while perf_counter() < until:
        pass


@pytest.mark.slow
def test_a_full_disk_gives_no_verdict(station: Begin, tmp_path: Path) -> None:
    """A journal that cannot be written is told as such for each unit, and none is counted."""
    few = (1500, 1500)  # the first line of a journal does not fit

    def fill() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, few)

    process = station(preexec_fn=fill)
    assert process.stdout is not None
    seen = []
    until = monotonic() + 120
    for said in process.stdout:
        seen.append(said)
        if len([s for s in seen if s.startswith("ERROR")]) >= 3 or monotonic() > until:
            break
    process.kill()
    process.communicate()
    errors = [line for line in seen if line.startswith("ERROR")]
    assert len(errors) >= 3
    assert all("the journal cannot be written" in line for line in errors)
    assert all("No verdict" in line for line in errors)
    assert not any(line.startswith(("PASS", "FAIL")) for line in seen)


@pytest.mark.slow
def test_a_full_shift_disk_is_no_success(station: Begin, tmp_path: Path) -> None:
    """The shift ends non-zero; its summary names each invalid unit and what is not written."""

    def fill() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1500, 1500))

    process = station(preexec_fn=fill)
    assert process.stdout is not None
    for said in process.stdout:
        if said.startswith("ERROR"):
            break
    process.send_signal(signal.SIGTERM)
    said = process.communicate(timeout=120)[0]
    assert process.returncode not in {0, 1}
    assert "invalid          CS-001" in said
    assert "File too large" in said
    assert "test it again" in said


@pytest.mark.slow
def test_two_stations_share_one_ledger(
    line: Line, ledger_setting: str, tmp_path: Path
) -> None:
    """Two whole stations at once, one copied part between them: all units booked, the copy told."""
    plan = tmp_path / "plan.yaml"
    steps = [{"reset": {}}, {"enumerate": {"count": 1}}]
    plan.write_text(json.dumps({"plan": "quick unit", "steps": steps}))
    count = 60
    processes = []
    for letter, first in (("a", 1000), ("b", 2000)):
        codes = [first + n for n in range(count - 1)] + [7]  # 7 is on both
        feed = [{"serial": f"{letter}{n}", "devices": [n]} for n in range(1, count + 1)]
        place = line.place(letter, [line.probe(code) for code in codes], feed)
        processes.append(
            subprocess.Popen(
                [
                    sys.executable, "-c", MAIN, "station", "--plan", str(plan),
                    "--fixture", place.path, "--ledger", ledger_setting,
                    "--into", str(tmp_path / "results" / letter), "--name", letter,
                ],
                cwd=tmp_path,
                stdout=subprocess.PIPE,
                text=True,
                env={**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])},
            )
        )  # fmt: skip
    said = "".join(process.communicate(timeout=300)[0] for process in processes)
    with Ledger(ledger_setting) as ledger:
        assert ledger.count() == 2 * count
        (conflict,) = ledger.conflicts()
    assert {conflict.owner, conflict.serial} == {f"a{count}", f"b{count}"}
    live = [line for line in said.splitlines() if line.startswith("FAIL ")]
    assert len(live) == 1
    assert "was seen before in unit" in live[0]
