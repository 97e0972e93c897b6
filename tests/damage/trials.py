"""Runs of a plan behind a damaging port, and what they said."""

from __future__ import annotations

import random
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.driver.port import open_port
from harness.errors import SlotproofError
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.schema.files import Fixture
from harness.plans.schema.plan import Plan
from harness.records import Outcome
from harness.results.journal.writer import Journal
from tests.damage.modes import MODES
from tests.damage.moments import BEHIND, NAMES, RARELY, Moment
from tests.damage.port import DamagingPort

MAY_FAIL = {
    "constant 00h": "a line held low reads so",
    "silence behind a low": "a line that goes low for good falls silent behind a low",
    "rare single flip or loss": "a spike on the line does the same to one slot",
}
"""Where ``failed`` may stand, and why. The last is a rule about the hit, not about the
mode: at moment once or rarely, and since the check before each failure no hit changed or
lost more than one character. Which modes that were is counted one by one."""

_SILENT = frozenset({"deaf", "die", "drop chunk", "stall"})


def excuses(trials: Iterable[Trial]) -> str:
    """How often something failed under each key of ``MAY_FAIL``, and in which modes."""
    failed = [t for t in trials if t.outcome == "failed"]
    lines = []
    for key, reason in {**MAY_FAIL, "": "NOT EXCUSED"}.items():
        modes = Counter(t.mode for t in failed if may_fail(t) == key)
        told = ", ".join(f"{n} {mode}" for mode, n in modes.items())
        lines.append(f"  failed {modes.total():>3}: {key} ({reason}): {told or '-'}")
    return "\n".join(lines)


def may_fail(trial: Trial) -> str:
    """The key of ``MAY_FAIL`` under which a run may have failed; empty if none."""
    if trial.mode == "constant 00h":
        return "constant 00h"
    narrow = all(0 <= width <= 1 for width in trial.widths)
    if trial.moment in {"once", RARELY} and narrow:
        return "rare single flip or loss"
    if trial.mode in _SILENT and trial.moment == "behind read-0":
        return "silence behind a low"
    return ""


@dataclass
class Trial:
    """One run.

    Attributes:
        mode, moment, seed: what was done.
        outcome: passed, failed, error or crash.
        hits: how often something was damaged.
        failed: what was booked on line or devices.
        widths: for each of those, the widest hit since the check before it.
        values: measured values by step, device and name.
    """

    mode: str
    moment: str
    seed: int
    outcome: str = "error"
    hits: int = 0
    failed: list[str] = field(default_factory=list)
    widths: list[int] = field(default_factory=list)
    values: dict[str, Any] = field(default_factory=dict)


def pairs(count: int, seed: int = 1) -> Iterator[tuple[str, str, int]]:
    """Mode, moment and seed of so many trials: every pair in turn, in a drawn order."""
    every = [
        (mode, moment)
        for mode in MODES
        for moment in NAMES
        if MODES[mode].reads is not None or not moment.startswith("behind")
    ]
    draw = random.Random(seed)
    number = 0
    while True:
        draw.shuffle(every)
        for mode, moment in every:
            if number == count:
                return
            yield mode, moment, seed * 1_000_000 + number
            number += 1


def moment_of(name: str, seed: int, characters: int) -> Moment:
    """A moment somewhere in a run of so many characters."""
    draw = random.Random(seed + 7)
    if name.startswith("behind "):
        return Moment(name, draw.randrange(40 if "reset" in name else 400))
    return Moment(name, int(characters * draw.uniform(0.02, 0.98)))


def run_trial(
    plan: Plan, fixture: Fixture, mode: str, moment: str, seed: int, *, characters: int
) -> Trial:
    """One run of a plan behind a damaging port."""
    trial = Trial(mode=mode, moment=moment, seed=seed)
    workshop = _Workshop(mode, moment_of(moment, seed, characters), seed)
    _run(plan, fixture, trial, workshop)
    trial.hits = sum(len(port.widths) for port in workshop.ports)
    return trial


def run_sound(plan: Plan, fixture: Fixture) -> tuple[Trial, int]:
    """The same without damage, and the characters that came back in it."""
    trial = Trial(mode="", moment="", seed=0)
    workshop = _Workshop("deaf", Moment("behind last", 1 << 40), 0)
    _run(plan, fixture, trial, workshop)
    return trial, sum(port.came for port in workshop.ports)


@dataclass
class _Workshop:
    """Opens ports, each behind a damaging one."""

    mode: str
    moment: Moment
    seed: int
    ports: list[DamagingPort] = field(default_factory=list)

    def open_port(self, url: str, baud: int) -> DamagingPort:
        """As ``driver.port.open_port``."""
        inner = open_port(url, baud)
        self.ports.append(DamagingPort(inner, self.mode, self.moment, self.seed))
        return self.ports[-1]


def _run(plan: Plan, fixture: Fixture, trial: Trial, workshop: _Workshop) -> None:
    seen = 0

    def hear(event: str, facts: dict[str, Any]) -> None:
        nonlocal seen
        if event == "check_done":
            widths = [width for port in workshop.ports for width in port.widths]
            _note(trial, facts, max(widths[seen:], default=-1))
            seen = len(widths)

    try:
        with (
            tempfile.TemporaryDirectory() as folder,
            connect(fixture, workshop.open_port) as bus,
            Journal.create(Path(folder) / "run", bus.clock) as journal,
        ):
            code = Runner(
                plan=plan,
                fixture=fixture,
                bus=bus,
                journal=journal,
                operator=_Nobody(),
                listener=hear,
            ).run()
    except SlotproofError:
        code = 3
    except Exception as fault:  # noqa: BLE001 - counted, and shown
        trial.outcome = f"crash {type(fault).__name__}: {fault}"
        return
    trial.outcome = {0: "passed", 1: "failed", 3: "error"}[code]
    if trial.failed:
        trial.outcome = "failed"


def _note(trial: Trial, facts: dict[str, Any], width: int) -> None:
    result = facts["result"]
    where = f"{facts['step']} {(result['device'] or {}).get('socket', 'bus')}"
    if result["outcome"] == Outcome.FAILED:
        trial.widths.append(width)
        trial.failed.append(f"{where} {result['kind']}: {result['message']}")
    for value in result["measurements"]:
        trial.values[
            f"{where} {value['name']} {value['value'] if value['name'] == 'rom_code' else ''}"
        ] = value["value"]


class _Nobody:
    def ask(self, text: str, *, yes_no: bool) -> bool:
        raise AssertionError(text)


ALLOWED = {"temperature": 0.13, "conversion_time": 6.5}
"""Two steps of a reading; what an answer may be late, and a pause between polls.
Everything else is the same each time."""


def untrue(trial: Trial, sound: Trial) -> list[str]:
    """Values of a passed run that are not those of the sound one."""
    found = []
    for key, value in sound.values.items():
        got = trial.values.get(key)
        name = key.split()[2]
        if name == "conversion_time" and " bus " in key:
            # a bound: at most so long
            if isinstance(got, float) and got >= value:
                continue
        elif isinstance(value, float) and isinstance(got, int | float):
            if abs(got - value) <= ALLOWED.get(name, 1e-6):
                continue
        elif got == value:
            continue
        found.append(f"{key}: {got} instead of {value}")
    return found


def table(trials: Iterable[Trial], sound: Trial) -> str:
    """Mode by outcome, with the moments in which something failed."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    failed: dict[str, Counter[str]] = defaultdict(Counter)
    for trial in trials:
        outcome = trial.outcome.split()[0]
        counts[trial.mode][outcome] += 1
        counts[trial.mode]["untouched"] += outcome == "passed" and not trial.hits
        if outcome == "failed":
            failed[trial.mode][trial.moment] += 1
        if outcome == "passed" and untrue(trial, sound):
            counts[trial.mode]["untrue"] += 1
    columns = ("passed", "untouched", "failed", "error", "crash", "untrue")
    lines = [f"{'mode':<22}" + "".join(f"{c:>10}" for c in columns)]
    total: Counter[str] = Counter()
    for mode in MODES:
        total.update(counts[mode])
        row = "".join(f"{counts[mode][c]:>10}" for c in columns)
        where = ", ".join(f"{n} {moment}" for moment, n in failed[mode].items())
        lines.append(f"{mode:<22}{row}  {where}")
    lines.append(f"{'all':<22}" + "".join(f"{total[c]:>10}" for c in columns))
    return "\n".join(lines)


__all__ = [
    "BEHIND",
    "MAY_FAIL",
    "Trial",
    "excuses",
    "may_fail",
    "pairs",
    "run_sound",
    "run_trial",
    "table",
    "untrue",
]
