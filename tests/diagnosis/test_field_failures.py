"""Field failures end to end: fault on, right cause first; fault off, no such finding."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from harness.diagnosis.diagnose import Diagnosis, Effort, Examination
from harness.diagnosis.finding import Sure, Weight
from harness.driver.bus import Bus
from harness.plans.connection import connect
from harness.plans.steps.context import selected
from harness.plans.steps.diagnose_step import expected_of
from tests.diagnosis.benches import Bench, bench, healthy, probes
from tests.diagnosis.cases import CASES, QUICK

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.fixture
def examine(write_fixture: Make, bench_data: Make) -> Make:
    """Examine a bench; what the fixture expects is what sits in its sockets."""

    def run(
        made: Bench,
        effort: Effort,
        *,
        prepare: Callable[[Bus], None] | None = None,
        keys: dict[str, Any] | None = None,
    ) -> Diagnosis:
        data = bench_data(**made) | (keys or {})
        data["sockets"] = data["sockets"] or [{"name": "S1", "expect": {}}]
        for device, socket in zip(made["devices"], data["sockets"], strict=False):
            if device.get("supply") == "parasite":
                socket["expect"]["supply"] = "parasite"
        loaded = write_fixture(data)
        with connect(loaded) as bus:
            if prepare is not None:
                prepare(bus)
            return Examination(
                bus,
                expected=expected_of(loaded),
                feed=lambda rom, write, hold_s: selected(bus, rom).hold_strong_pull_up(
                    write, hold_s
                ),
                effort=effort,
            ).run()

    return run


def told(found: Diagnosis) -> list[str]:
    """Findings in short, for failing tests and the table."""
    return [f"{f.weight} {f.sure} {f.cause}: {f.kind}" for f in found.findings]


def test_an_examination_changes_nothing(examine: Make, bench_of: Make) -> None:
    """Nothing is stored, toggled or started, which F22, F25 and F26 would need.

    A common conversion makes a logger measure too: only its last temperature, conversion
    flag and count of conversions move, none of its settings.
    """
    random = Random("harmless")
    devices = probes(random, 2)
    devices += [{"family": code, "serial": code} for code in (0x05, 0x21)]
    seen: list[Any] = []

    def remember(bus: Bus) -> None:
        seen.extend(station.device for station in bench_of(bus).stations)
        seen.append(bytes(seen[3].registers[:0x11]))

    found = examine(bench(random, devices=devices), QUICK, prepare=remember)
    *thermometers, switch, logger, settings = seen
    assert len(found.evidence.devices) == 4
    assert [device.stores_done for device in thermometers] == [0, 0]
    assert switch.toggles == 0
    assert bytes(logger.registers[:0x11]) == settings
    assert not logger.registers[0x14] & 0x20  # a mission would run


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_right_cause_first(examine: Make, name: str) -> None:
    """Fault on: the right cause stands first, with its numbers; the wrong ones do not."""
    case = CASES[name]
    random = Random(f"{name} 0")
    found = examine(
        case.vary(random), case.effort, prepare=case.prepare, keys=case.keys
    )
    assert found.findings, "nothing was found"
    first = found.findings[0]
    assert (first.cause, first.kind) in case.right, told(found)
    assert first.weight is case.weight
    assert case.measured in " ".join(first.measured)
    assert case.names in " ".join((*first.tells_apart, first.says))
    assert first.try_first
    wrong = [
        f.kind
        for f in found.findings
        if f.kind in case.forbidden
        and f.weight is Weight.FAULT
        and f.sure is not Sure.POSSIBLE
    ]
    assert not wrong, told(found)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_twin_without_the_fault(examine: Make, name: str) -> None:
    """Fault off: the same bench does not raise the finding."""
    case = CASES[name]
    random = Random(f"{name} 0")
    made = (case.twin or case.vary)(random) | {"faults": []}
    if not made["devices"]:
        made["devices"] = probes(random)
    for device in made["devices"]:
        if "starved_result" in device:
            device["supply"] = "external"
    found = examine(made, case.effort, keys=case.keys)
    assert not {(f.cause, f.kind) for f in found.findings} & set(case.right), told(
        found
    )


@pytest.mark.benchmark
@pytest.mark.parametrize(
    "numbers",
    [
        pytest.param(range(20), id="variations the rules were tuned on"),
        pytest.param(range(1000, 1008), id="variations they had not seen"),
    ],
)
def test_confusion_matrix(examine: Make, numbers: range) -> None:
    """Right cause first in at least 95 % of the variations of each case."""
    rows: dict[str, Counter[str]] = {}
    right = total = 0
    for name, case in CASES.items():
        rows[name] = Counter()
        for number in numbers:
            random = Random(f"{name} {number}")
            found = examine(
                case.vary(random), case.effort, prepare=case.prepare, keys=case.keys
            )
            first = found.findings[0] if found.findings else None
            hit = first is not None and (first.cause, first.kind) in case.right
            right, total = right + hit, total + 1
            said = f"{first.cause}: {first.kind}" if first else "nothing"
            rows[name][said if hit else f"NOT {said}"] += 1
    print()  # noqa: T201 - the benchmark's table
    for name, counts in rows.items():
        said = ", ".join(f"{what} {times}" for what, times in counts.most_common())
        print(f"{name:28} {said}")  # noqa: T201 - the benchmark's table
    print(f"right cause first: {right} of {total} ({right / total:.1%})")  # noqa: T201 - the benchmark's table
    assert right >= 0.95 * total


@pytest.mark.benchmark
def test_healthy_runs_are_never_called_faulty(examine: Make) -> None:
    """1,000 benches with nothing wrong: not one fault, not one warning."""
    faulty = Counter[str]()
    for number in range(1000):
        random = Random(f"healthy {number}")
        found = examine(healthy(random), QUICK)
        faulty.update(
            f"{f.cause}: {f.kind}"
            for f in found.findings
            if f.weight is not Weight.NOTE
        )
    print(f"\nof 1000 healthy runs called faulty: {dict(faulty) or 0}")  # noqa: T201 - the benchmark's table
    assert not faulty
