"""A mutation run: how many small changes of the code do the tests of a room notice?

Needs the package `coverage`. Run from a copy of the tree, which is changed and put back
while it works:

    git archive HEAD | tar -x -C COPY && cd COPY
    export PYTHONPATH=$PWD
    python -m tests.mutation.run cover          # which test runs which line, once
    python -m tests.mutation.run sample 320     # prints its seed; --seed takes one
    python -m tests.mutation.run work 300       # mutants for 300 s, goes on where it was
    python -m tests.mutation.run table          # counts, the interval, the survivors

A mutant meets the tests of its own room that run its line, quick ones first, up to
`BUDGET_S` of their usual time; `work --all` takes survivors again, against every test
file of the room that runs the module. A mutant that needs `SLOWNESS` times the usual
time is killed as well: the suite would not end. Each runs in a process of its own, forked
from one that holds everything but the tests already; there the changed function gets the
code of the mutant. What runs while a module is imported is changed in its file instead.
A value that was computed and kept before the fork (a ``cached_property`` of a constant, a
cache) is not computed again: such a mutant seems to survive.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import random
import resource
import secrets
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest
from scipy.stats import binomtest

from tests.mutation.live import Live, live_function
from tests.mutation.mutants import Mutant, mutants_of, with_change

ROOMS = {
    "harness/wire": "tests/wire",
    "harness/driver": "tests/driver",
    "harness/quality": "tests/quality",
    "harness/families/common": "tests/families",
    "harness/timing": "tests/timing",
}
_QUICK = ("-m", "not slow and not benchmark")
"""Slow tests meet survivors only, by ``work --all``."""
BUDGET_S = 6.0
SLOWNESS = 2.5
WORK = Path("mutation_run")
SAMPLE = WORK / "sample.json"
RESULTS = WORK / "results.jsonl"


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


def sample(count: int, seed: int | None) -> None:
    """Draws the mutants, each as likely as any other."""
    seed = secrets.randbelow(10**9) if seed is None else seed
    every = [
        mutant
        for room in ROOMS
        for path in sorted(Path(room).rglob("*.py"))
        for mutant in mutants_of(Path(), path)
    ]
    chosen = random.Random(seed).sample(every, count)
    WORK.mkdir(exist_ok=True)
    SAMPLE.write_text(
        json.dumps(
            {"seed": seed, "of": len(every), "mutants": [asdict(m) for m in chosen]}
        )
    )
    print(f"{count} of {len(every)} mutants, seed {seed}")


class Covering:
    """Which tests of a room run a line."""

    def __init__(self, room: str) -> None:
        data = json.loads(_map_of(room).read_text())
        self.took: dict[str, float] = data["took_s"]
        self.lines: dict[str, dict[str, list[str]]] = data["lines"]

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
        chosen: list[str] = []
        total = 0.0
        for name in sorted(names, key=lambda n: (n not in own, self.took[n], n)):
            total += self.took[name]
            if chosen and total > budget_s:
                break
            chosen.append(name)
        return chosen

    def files(self, mutant: Mutant) -> list[str]:
        """Every test file of the room that runs the module."""
        by_line = self.lines.get(mutant.path, {})
        return sorted({n.split("::")[0] for every in by_line.values() for n in every})

    def time_s(self, tests: list[str]) -> float:
        """Usual CPU time of tests or whole files."""
        return sum(
            took
            for name, took in self.took.items()
            if name in set(tests) or name.split("::")[0] in set(tests)
        )


def _meets(mutant: Mutant, tests: list[str], usual_s: float, *, at_import: bool) -> str:
    """Returns killed, slow or survived; the file is as before afterwards."""
    path = Path(mutant.path)
    original, stat = path.read_bytes(), path.stat()
    changed = with_change(original, mutant)
    limit_s = int(8 + SLOWNESS * usual_s)
    live = None if at_import else live_function(mutant, changed)
    if live is None:
        path.write_bytes(changed)
    try:
        status = _status_of(tests, limit_s, live, fresh=live is None)
    finally:
        if live is None:
            path.write_bytes(original)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    if os.WIFSIGNALED(status):
        return "slow"
    return "survived" if os.WEXITSTATUS(status) == 0 else "killed"


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
    code = 3
    try:
        os.setpgid(0, 0)
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        sys.dont_write_bytecode = True
        log = os.open(WORK / "last.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        if live is not None:
            live.function.__code__ = live.code
        if fresh:
            for name in [n for n in sys.modules if n.split(".")[0] == "harness"]:
                del sys.modules[name]
        code = int(
            pytest.main(
                [
                    *("-x", "-q", "-n", "0", "--no-header", "--tb=line"),
                    *("-p", "no:cacheprovider"),
                    *("-W", "ignore::pytest.PytestAssertRewriteWarning", *tests),
                ]
            )
        )
    finally:
        os._exit(code)


def _mutants() -> Iterator[Mutant]:
    for row in json.loads(SAMPLE.read_text())["mutants"]:
        yield Mutant(**row)


def _results() -> dict[str, str]:
    if not RESULTS.exists():
        return {}
    rows = [json.loads(line) for line in RESULTS.read_text().splitlines()]
    return {row["name"]: row["end"] for row in rows}


def work(seconds: float, *, everything: bool) -> bool:
    """Tries mutants until the time is over; true when none is left."""
    for library in ("hypothesis.strategies", "hypothesis.internal.conjecture.engine",
                    "xdist", "anycrc", "crccheck"):  # fmt: skip
        importlib.import_module(library)
    for path in sorted(Path("harness").rglob("*.py")):
        if path.stem != "__main__":
            importlib.import_module(".".join(path.with_suffix("").parts))
    ends = time.monotonic() + seconds
    coverings = {room: Covering(room) for room in ROOMS if _map_of(room).exists()}
    known = _results()
    retry = ("survived",)
    for mutant in _mutants():
        end = known.get(mutant.name)
        if end is not None and not (everything and end in retry):
            continue
        if time.monotonic() > ends:
            return False
        covering = coverings.get(_room(mutant.path))
        if covering is None:
            continue  # its room has no map yet: run ``cover``
        tests = (
            covering.files(mutant) if everything else covering.tests(mutant, BUDGET_S)
        )
        end = _meets(
            mutant,
            tests,
            covering.time_s(tests),
            at_import=covering.runs_at_import(mutant),
        )
        if everything and end in retry:
            end = "survived all"
        with RESULTS.open("a") as file:
            file.write(json.dumps({"name": mutant.name, "end": end}) + "\n")
    return True


def table() -> None:
    """Counts a room, the exact interval, and every survivor with its change."""
    data, known = json.loads(SAMPLE.read_text()), _results()
    tried = [m for m in _mutants() if m.name in known]
    print(f"seed {data['seed']}: {len(tried)} of {len(data['mutants'])} tried")
    for room in (*ROOMS, "harness"):
        ends = Counter(known[m.name] for m in tried if m.path.startswith(room + "/"))
        total, dead = ends.total(), ends["killed"] + ends["slow"]
        if not total:
            continue
        interval = binomtest(dead, total).proportion_ci(0.95, method="exact")
        print(
            f"{room:26} {dead:4} of {total:4} killed, {100 * dead / total:5.1f} %"
            f" (95 %: {100 * interval.low:.1f} to {100 * interval.high:.1f} %)"
        )
    for mutant in sorted(tried, key=lambda m: (m.path, m.line)):
        if known[mutant.name] not in ("killed", "slow"):
            print(f"\n{mutant.path}:{mutant.line} {mutant.kind}: {known[mutant.name]}")
            print(f"  - {mutant.before}\n  + {mutant.after}")


def main() -> None:
    """Reads the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("cover").add_argument("rooms", nargs="*")
    drawing = commands.add_parser("sample")
    drawing.add_argument("count", type=int)
    drawing.add_argument("--seed", type=int)
    working = commands.add_parser("work")
    working.add_argument("seconds", type=float)
    working.add_argument("--all", action="store_true")
    commands.add_parser("table")
    options = parser.parse_args()
    match options.command:
        case "cover":
            cover(options.rooms)
        case "sample":
            sample(options.count, options.seed)
        case "work":
            sys.exit(0 if work(options.seconds, everything=options.all) else 75)
        case _:
            table()


if __name__ == "__main__":
    main()
