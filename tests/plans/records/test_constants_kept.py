"""Own constants of devices, kept from run to run by journal and ledger."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import RunResult, execute
from harness.plans.loading.files import parse_plan
from harness.plans.records.guesses import Guesses, constants_in_journal
from harness.plans.records.recalled import guesses_of
from harness.records import CheckResult, Outcome
from harness.results.ledger.ledger import Ledger

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

CLONE = [{"kind": "wrong-reserved-bytes", "device": "S1"}]
"""Bytes 5 and 7 of the block are 00h and AAh, always."""


@pytest.fixture
def run(
    write_fixture: Make, bench_data: Make, new_device: Make, tmp_path: Path
) -> Make:
    """Read the temperature of a thermometer whose block is as the data sheet says, or a clone's."""

    def run(name: str, *, clone: bool, kept: Guesses | None = None) -> RunResult:
        fixture = write_fixture(
            bench_data([new_device(0x28, 5)], faults=CLONE if clone else [])
        )
        plan = parse_plan(
            "plan: p\nsteps: [{read: {quantity: temperature}}]",
            "plan.yaml",
            fixtures=[fixture],
        )
        into = tmp_path / name
        return execute(
            RunRequest(
                plan=plan, fixture=fixture, into=into, reports=False, guesses=kept
            )
        )

    return run


def shown(done: RunResult) -> CheckResult:
    """The result of the only check."""
    ((_, result),) = done.record.results
    return result.shown


@pytest.mark.parametrize("source", ["results folder", "ledger"])
@pytest.mark.parametrize(("clone", "constants"), [(True, "00 AA"), (False, "FF 10")])
def test_a_device_that_changed_its_constants_is_not_believed(
    run: Make, tmp_path: Path, source: str, clone: bool, constants: str
) -> None:
    """The CRC is right and each reading of this run agrees: the earlier run tells."""
    first = run("first", clone=clone)
    assert first.record.outcome is Outcome.PASSED
    code = first.record.devices[0].rom_code
    assert constants_in_journal(first.folder / "journal.jsonl") == {code: constants}
    named = first.folder
    if source == "ledger":
        named = tmp_path / "ledger.sqlite"
        with Ledger(named) as ledger:
            ledger.book(first.folder / "journal.jsonl")
    kept = guesses_of([str(named)])
    assert kept.constants == {code: constants}
    assert run("same", clone=clone, kept=kept).record.outcome is Outcome.PASSED
    assert run("unknown", clone=not clone).record.outcome is Outcome.PASSED
    changed = run("changed", clone=not clone, kept=kept)
    assert changed.record.outcome is Outcome.FAILED
    assert f"not those of this device, {constants}" in shown(changed).message
    assert not constants_in_journal(changed.folder / "journal.jsonl")


def test_the_first_good_reading_stays(run: Make, tmp_path: Path) -> None:
    """A later test with other constants does not change what the ledger keeps."""
    path = tmp_path / "ledger.sqlite"
    tests = [run("first", clone=False), run("second", clone=True)]
    with Ledger(path) as ledger:
        for done in (*tests, tests[-1]):  # twice is once
            ledger.book(done.folder / "journal.jsonl")
        code = tests[0].record.devices[0].rom_code
        assert ledger.constants_of([code, "00"]) == {code: "FF 10"}
