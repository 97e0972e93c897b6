"""A mutation run: how many small changes of the code do the tests of a room notice?

Needs the package `coverage`. Run from a copy of the tree, which is changed and put back
while it works:

    git archive HEAD | tar -x -C COPY && cd COPY
    export PYTHONPATH=$PWD
    python -m tests.mutation.run cover          # which test runs which line, once
    python -m tests.mutation.run sample 320     # prints its seed; --seed takes one
    python -m tests.mutation.run work 300       # mutants for 300 s, goes on where it was
    python -m tests.mutation.run check          # do the tests that killed pass without one?
    python -m tests.mutation.run table          # counts, the interval, the survivors

A mutant meets the tests of its own room that run its line, quick ones first, up to
`BUDGET_S` of their usual time, in a process forked from one that holds everything but the
tests already: the changed function gets the code of the mutant, and the caches of the
product are emptied. What runs while a module is imported is changed in its file instead,
and every module of the product is imported again.

One that passes is open. Whatever was computed before the fork, such as a
constant that a changed function makes, would still be the unchanged one. So the file is
changed, the product imported again, and every test file of the room is run in which a test
runs the line; the whole room where the line also runs outside of tests. What passes that
survives: in no other test of the room does the line run. `work` takes those that are open
when all mutants have met their quick tests; the table counts them as survived. A mutant that needs `SLOWNESS` times the usual CPU time and 8 s (or 8 times that by the wall
clock) is killed as well: the suite would not end.

`check` runs the tests that killed once more without a change: what fails then is no kill.
`equivalents.toml` lists changes that no test can notice, each
with the reason; the table leaves them out and says how many.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import random
import re
import resource
import secrets
import signal
import subprocess
import sys
import time
import tomllib
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

import pytest
from scipy.stats import binomtest

from tests.mutation.live import Live, forget, live_function
from tests.mutation.mutants import Mutant, mutants_of, with_change

ROOMS = {
    "harness/wire": "tests/wire",
    "harness/driver": "tests/driver",
    "harness/quality": "tests/quality",
    "harness/families/common": "tests/families",
    "harness/timing": "tests/timing",
}
_QUICK = ("-m", "not slow and not benchmark")
"""Slow tests meet no mutant: what only they would notice counts as survived."""
BUDGET_S = 3.0
SLOWNESS = 2.5
WORK = Path("mutation_run")
SAMPLE = WORK / "sample.json"
RESULTS = WORK / "results.jsonl"
EQUIVALENTS = Path(__file__).with_name("equivalents.toml")


def _room(path: str) -> str:
    return next(room for room in ROOMS if path.startswith(room + "/"))


def _map_of(room: str) -> Path:
    return WORK / f"covering_{room.replace('/', '_')}.json"


def cover(rooms: list[str]) -> None:
    """Runs the tests of each room once and keeps which line each of them runs."""
    WORK.mkdir(exist_ok=True)
    for room in rooms or ROOMS:
        subprocess.run(
            [
                *(
                    sys.executable,
                    "-m",
                    "pytest",
                    "-q",
                    "-n",
                    "0",
                    "-p",
                    "no:cacheprovider",
                ),
                *("-p", "tests.mutation.covering", *_QUICK, ROOMS[room]),
            ],
            env={
                **os.environ,
                "SLOTPROOF_COVERING": str(_map_of(room)),
                "SLOTPROOF_COVERED": room,
            },
            check=True,
        )


def sample(count: int, seed: int | None, rooms: list[str]) -> None:
    """Draws the mutants of all rooms, or of some, each as likely as any other."""
    seed = secrets.randbelow(10**9) if seed is None else seed
    every = [
        mutant
        for room in rooms or ROOMS
        for path in sorted(Path(room).rglob("*.py"))
        for mutant in mutants_of(Path(), path)
    ]
    chosen = random.Random(seed).sample(every, min(count, len(every)))
    WORK.mkdir(exist_ok=True)
    SAMPLE.write_text(
        json.dumps(
            {"seed": seed, "of": len(every), "mutants": [asdict(m) for m in chosen]}
        )
    )
    print(f"{len(chosen)} of {len(every)} mutants, seed {seed}")


def _files(tests: Iterable[str]) -> list[str]:
    """Files of these tests, each once, in order."""
    return list(dict.fromkeys(name.split("::")[0] for name in tests))


class Covering:
    """Which tests of a room run a line."""

    def __init__(self, room: str) -> None:
        data = json.loads(_map_of(room).read_text())
        self.took: dict[str, float] = data["took_s"]
        self.lines: dict[str, dict[str, list[str]]] = data["lines"]
        self.outside: dict[str, list[int]] = data["outside"]

    def runs_at_import(self, mutant: Mutant) -> bool:
        """True for a line that no test runs: constants, and functions that make them."""
        by_line = self.lines.get(mutant.path, {})
        return not (mutant.in_function and by_line.get(str(mutant.line)))

    def tests(self, mutant: Mutant, budget_s: float) -> list[str]:
        """Those that run the line, quick ones first, up to the budget.

        What runs at import may show anywhere in the room: the tests of its own module
        come first, then all others, up to three times the budget.
        """
        by_line = self.lines.get(mutant.path, {})
        if self.runs_at_import(mutant):
            own = {name for every in by_line.values() for name in every}
            names, budget_s = set(self.took), 3 * budget_s
        else:
            own = names = set(by_line[str(mutant.line)])
        mirror = f"/test_{Path(mutant.path).stem}.py::"
        quick_first = sorted(
            names, key=lambda n: (mirror not in n, n not in own, self.took[n], n)
        )
        return self.within(quick_first, budget_s)

    def within(self, tests: Iterable[str], budget_s: float) -> list[str]:
        """The first of these tests, up to a budget of their usual time; at least one."""
        chosen: list[str] = []
        total = 0.0
        for name in tests:
            total += self.took[name]
            if chosen and total > budget_s:
                break
            chosen.append(name)
        return chosen

    def files(self, mutant: Mutant) -> list[str]:
        """Test files in which a test runs the line: what one set up may show in another.

        All files of the room where the line also runs outside of tests.
        """
        by_line = self.lines.get(mutant.path, {})
        running = by_line.get(str(mutant.line), [])
        outside = mutant.line in self.outside.get(mutant.path, ())
        if outside or self.runs_at_import(mutant):
            first = {name for every in by_line.values() for name in every}
            return _files([*sorted(first), *sorted(self.took)])
        return _files(sorted(running))

    def limit_s(self, tests: list[str]) -> int:
        """CPU time that tests or whole files may take."""
        wanted = set(tests)
        usual_s = sum(
            took
            for name, took in self.took.items()
            if name in wanted or name.split("::")[0] in wanted
        )
        return int(8 + SLOWNESS * usual_s)


def _first(mutant: Mutant, covering: Covering) -> str:
    """Quick tests that run the line: killed, slow, or open if they pass."""
    tests = covering.tests(mutant, BUDGET_S)
    live = None
    if not covering.runs_at_import(mutant):
        changed = with_change(Path(mutant.path).read_bytes(), mutant)
        live = live_function(mutant, changed)
    if live is None:
        status = _status_in_file(mutant, tests, covering.limit_s(tests))
    else:
        status = _status_of(tests, covering.limit_s(tests), live, fresh=False)
    return _ended(status, passed="open")


def _second(mutant: Mutant, covering: Covering) -> str:
    """Whole test files with the mutant in its file: killed, slow or survived."""
    files = covering.files(mutant)
    status = _status_in_file(mutant, files, covering.limit_s(files))
    return _ended(status, passed="survived")


_OURS = 70
"""Exit status of a process in which this program itself failed: that is no kill."""


def _ended(status: int, *, passed: str) -> str:
    if os.WIFSIGNALED(status):
        return "slow"
    if os.WEXITSTATUS(status) == _OURS:
        sys.exit(f"the run itself failed, see {WORK / 'last.log'}")
    return passed if os.WEXITSTATUS(status) == 0 else "killed"


def _status_in_file(mutant: Mutant, tests: list[str], limit_s: int) -> int:
    """Exit status with the mutant in its file, which is as before afterwards."""
    path = Path(mutant.path)
    original, stat = path.read_bytes(), path.stat()
    path.write_bytes(with_change(original, mutant))
    try:
        return _status_of(tests, limit_s, None, fresh=True)
    finally:
        path.write_bytes(original)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def _status_of(
    tests: list[str], limit_s: int, live: Live | None, *, fresh: bool
) -> int:
    """Exit status of a process that runs the tests."""
    child = os.fork()
    if child == 0:
        _in_child(tests, limit_s, live, fresh=fresh)
    ends = time.monotonic() + 8 * limit_s
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        if time.monotonic() > ends:
            os.killpg(child, signal.SIGKILL)
        time.sleep(0.02)  # noqa: TID251 - waits for a process


def _in_child(
    tests: list[str], limit_s: int, live: Live | None, *, fresh: bool
) -> None:
    """Runs the tests and leaves with pytest's code."""
    code = _OURS
    try:
        os.setpgid(0, 0)
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        sys.dont_write_bytecode = True
        log = os.open(WORK / "last.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        if live is not None:
            live.function.__code__ = live.code
        if not fresh:
            forget()
        else:
            for name in [n for n in sys.modules if n.split(".")[0] == "harness"]:
                del sys.modules[name]
        code = 1  # from here on a failure is the mutant's, as a plugin that cannot load
        code = int(
            pytest.main(
                [
                    *("-x", "-q", "-n", "0", "--no-header", "--tb=line"),
                    *("-p", "no:cacheprovider", *_QUICK),
                    *("-W", "ignore::pytest.PytestAssertRewriteWarning", *tests),
                ]
            )
        )
    except BaseException:  # noqa: BLE001 - printed, and never back into the parent
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code)


def _mutants() -> Iterator[Mutant]:
    for row in json.loads(SAMPLE.read_text())["mutants"]:
        yield Mutant(**row)


def _results() -> dict[str, str]:
    if not RESULTS.exists():
        return {}
    rows = [json.loads(line) for line in RESULTS.read_text().splitlines()]
    return {row["name"]: row["end"] for row in rows}


def work(seconds: float) -> bool:
    """Tries mutants until the time is over; true when none is left."""
    for library in ("hypothesis.strategies", "hypothesis.internal.conjecture.engine",
                    "xdist", "anycrc", "crccheck"):  # fmt: skip
        importlib.import_module(library)
    for path in sorted(Path("harness").rglob("*.py")):
        if path.stem != "__main__":
            importlib.import_module(".".join(path.with_suffix("").parts))
    ends = time.monotonic() + seconds
    coverings = {room: Covering(room) for room in ROOMS if _map_of(room).exists()}
    for stage, retry in ((_first, set[str]()), (_second, {"open"})):
        known = _results()
        for mutant in _mutants():
            room = _room(mutant.path)
            end = known.get(mutant.name)
            if (end is not None and end not in retry) or room not in coverings:
                continue  # where the room has no map yet: run ``cover``
            if time.monotonic() > ends:
                return False
            _write_down(mutant.name, stage(mutant, coverings[room]))
    return True


def check() -> None:
    """Runs every test that killed a mutant once more, without a change.

    What fails then kills nothing: mutants that it killed are forgotten, to be tried again.
    """
    rows = [json.loads(line) for line in RESULTS.read_text().splitlines()]
    killers = sorted({row["by"] for row in rows if row.get("by")})
    if not killers:
        return
    log = WORK / "check.log"
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "--tb=line"]
    with log.open("w") as file:
        subprocess.run([*command, *killers], stdout=file, stderr=file, check=False)
    failing = set(_failed(log))
    kept = [row for row in rows if row.get("by") not in failing]
    RESULTS.write_text("".join(json.dumps(row) + "\n" for row in kept))
    print(f"{len(killers)} tests killed; without a change {len(failing)} of them fail")


def _failed(log: Path) -> list[str]:
    """Tests that failed, by pytest's summary."""
    lines = log.read_text(errors="replace").splitlines()
    found = (re.match(r"(?:FAILED|ERROR) (.*?)(?: - |$)", line) for line in lines)
    return [match[1] for match in found if match is not None]


def _write_down(name: str, end: str) -> None:
    by = _failed(WORK / "last.log") if end == "killed" else []
    row = {"name": name, "end": end, "by": by[0] if by else ""}
    with RESULTS.open("a") as file:
        file.write(json.dumps(row) + "\n")


def equivalents() -> set[tuple[str, str, str, str, int]]:
    """Changes that no test can notice, by the code and not by its line number."""
    return {
        (row["path"], row["scope"], row["before"], row["after"], nth)
        for row in tomllib.loads(EQUIVALENTS.read_text("utf-8"))["change"]
        for nth in row.get("nth", [1])
    }


def table() -> None:
    """Counts a room, the exact interval, and every survivor with its change."""
    data, known, left_out = json.loads(SAMPLE.read_text()), _results(), equivalents()
    tried = [m for m in _mutants() if m.name in known]
    print(f"seed {data['seed']}: {len(tried)} of {len(data['mutants'])} tried")
    listed = {
        m.name
        for m in tried
        if known[m.name] in {"survived", "open"}
        and (m.path, m.scope, m.before, m.after, m.nth) in left_out
    }
    print(f"{len(listed)} left out as equivalent, see {EQUIVALENTS.name}")
    for room in (*ROOMS, "harness"):
        ends = Counter(
            known[m.name]
            for m in tried
            if m.path.startswith(room + "/") and m.name not in listed
        )
        total, dead = ends.total(), ends["killed"] + ends["slow"]
        if not total:
            continue
        interval = binomtest(dead, total).proportion_ci(0.95, method="exact")
        print(
            f"{room:26} {dead:4} of {total:4} killed, {100 * dead / total:5.1f} %"
            f" (95 %: {100 * interval.low:.1f} to {100 * interval.high:.1f} %)"
        )
    for mutant in sorted(tried, key=lambda m: (m.path, m.line)):
        if (end := known[mutant.name]) in {"survived", "open"}:
            note = "equivalent" if mutant.name in listed else end
            print(f"\n{mutant.path}:{mutant.line} {mutant.scope} {mutant.kind}: {note}")
            print(f"  - {mutant.before}\n  + {mutant.after}")


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("cover").add_argument("rooms", nargs="*")
    drawing = commands.add_parser("sample")
    drawing.add_argument("count", type=int)
    drawing.add_argument("--seed", type=int)
    drawing.add_argument("--room", action="append", default=[], choices=[*ROOMS])
    working = commands.add_parser("work")
    working.add_argument("seconds", type=float)
    commands.add_parser("check")
    commands.add_parser("table")
    options = parser.parse_args()
    match options.command:
        case "cover":
            cover(options.rooms)
        case "sample":
            sample(options.count, options.seed, options.room)
        case "work":
            sys.exit(0 if work(options.seconds) else 75)
        case "check":
            check()
        case _:
            table()


if __name__ == "__main__":
    main()
