"""Guesses from earlier runs: whose they are, how they are found, and that they only save time."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import harness
from harness.errors import UsageError
from harness.plans.execution.request import RunRequest
from harness.plans.execution.run import execute
from harness.plans.loading.files import parse_plan
from harness.plans.records import guesses
from harness.plans.records.guesses import (
    Guesses,
    codes_in_journal,
    last_run_of,
    made_of,
    possible,
)
from harness.plans.schema.files import Fixture
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

HERE = [RomCode.build(0x28, 977 * n) for n in range(1, 5)]


@pytest.fixture
def ran(
    bench_data: Make, write_fixture: Make, new_device: Make, tmp_path: Path
) -> Make:
    """Run a search of four devices that the fixture does not name; its request and folder."""

    def run(
        name: str,
        title: str = "test bench",
        guesses: Guesses | None = None,
    ) -> tuple[Fixture, Path]:
        data = bench_data([new_device(0x28, 977 * n) for n in range(1, 5)])
        data["sockets"] = [{"name": f"S{n}"} for n in range(1, 5)]
        data["fixture"] = title
        fixture = write_fixture(data)
        folder = tmp_path / "results" / name
        plan = parse_plan(
            "{plan: who, steps: [{enumerate: {}}]}", "plan.yaml", fixtures=[fixture]
        )
        execute(
            RunRequest(
                plan=plan,
                fixture=fixture,
                into=folder,
                reports=False,
                guesses=guesses,
            )
        )
        return fixture, folder

    return run


def notes(folder: Path) -> list[str]:
    """Lines of a journal on guesses."""
    text = (folder / "journal.jsonl").read_text("utf-8")
    return [line for line in text.splitlines() if "the search guesses" in line]


def test_a_run_is_the_guess_of_the_next_and_says_so(ran: Make) -> None:
    """The journal holds the devices; the next run names it in a note, and finds the same."""
    _, first = ran("first")
    assert sorted(codes_in_journal(first / "journal.jsonl")) == sorted(HERE)
    recalled = made_of(codes_in_journal(first / "journal.jsonl"), origin=str(first))
    _, second = ran("second", guesses=recalled)
    assert len(notes(second)) == 1
    assert f"4 devices of {first}" in notes(second)[0]
    assert sorted(codes_in_journal(second / "journal.jsonl")) == sorted(HERE)


def test_a_rehearsal_guesses_from_nothing_that_it_was_not_told(ran: Make) -> None:
    """So that it repeats: the same bench, with results beside it or without."""
    ran("first")
    _, second = ran("second")
    assert notes(second) == []


def test_a_real_bench_guesses_from_its_last_run(
    ran: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the runs beside it, the latest of a fixture of this title."""
    monkeypatch.setattr("harness.plans.execution.run.is_simulated", lambda _: False)
    _, first = ran("first")
    assert notes(first) == []
    ran("other", title="another bench")
    _, third = ran("third")
    assert f"its last run, {first}" in notes(third)[0]


def test_the_latest_run_counts_and_what_is_no_journal_does_not(
    ran: Make, tmp_path: Path
) -> None:
    """Torn, empty and foreign files beside it are passed over, and so is an empty folder."""
    fixture, first = ran("first")
    _, second = ran("second")
    for name, text in (("torn", '{"event"'), ("empty", ""), ("other", "[1, 2]\n")):
        (first.parent / name).mkdir()
        (first.parent / name / "journal.jsonl").write_text(text, "utf-8")
    (first.parent / "nothing").mkdir()
    for age, folder in ((50, first), (20, second)):
        at = folder.stat().st_mtime - age
        os.utime(folder, (at, at))
    found = last_run_of(fixture, first.parent)
    assert str(second) in found.origin
    assert sorted(found.recalled) == sorted(HERE)
    assert last_run_of(fixture, tmp_path / "none") == Guesses()


def test_a_huge_journal_is_read_at_its_beginning(
    ran: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night of soak costs the next run no more than a short run does."""
    _, folder = ran("first")
    monkeypatch.setattr(guesses, "_MOST_EVENTS", 5)
    assert 0 < len(codes_in_journal(folder / "journal.jsonl")) < len(HERE)


def test_what_was_edited_is_said(tmp_path: Path) -> None:
    """A user who names a file is told that it is none."""
    path = tmp_path / "journal.jsonl"
    path.write_text("no journal\n", "utf-8")
    with pytest.raises(UsageError):
        codes_in_journal(path)


def test_what_was_here_speaks_for_its_lot_too() -> None:
    """The latest first, each once; codes that cannot be a device are left out."""
    made = made_of(HERE[:2], [HERE[1], HERE[2]])
    assert made.recalled == tuple(HERE[:2])
    assert made.seen == tuple(HERE[:3])
    assert possible(["0000000000000000", str(HERE[0])]) == [HERE[0]]
    assert not Guesses()
    assert made_of([], [], origin="a file").sentence([]) == ""
    assert made_of(HERE).sentence([]) == ""


def test_nobody_is_told_of_guesses_that_the_fixture_makes_anyway() -> None:
    """A fixture that names its devices is all that a search needs."""
    made = made_of(HERE[:2], origin="a file")
    assert "2 devices of a file" in made.sentence([])
    assert "1 device of a file" in made.sentence(HERE[:1])
    assert made.sentence(HERE) == ""


def traffic_of(path: Path, *, again: int) -> int:
    """Round trips of a second search, after so many before it."""
    with harness.open_bench(path) as bench:
        for _ in range(again):
            bench.enumerate_devices()
        before = bench._bus.traffic.bursts
        assert len(bench.enumerate_devices()) == len(HERE)
        return bench._bus.traffic.bursts - before


def test_a_search_guesses_from_the_one_before_it(ran: Make) -> None:
    """In a program and within a plan: a reset and a burst a device, and a few more."""
    fixture, folder = ran("first")
    first, second = (traffic_of(Path(fixture.path), again=n) for n in (0, 1))
    assert first > 30 * len(HERE)
    assert second <= 2 * len(HERE) + 6
    assert codes_in_journal(folder / "journal.jsonl")


def test_scans_of_one_step_guess_from_each_other(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Ten scans of devices that nobody named take less than three as the first."""
    data = bench_data([new_device(0x28, 977 * n) for n in range(1, 5)])
    data["sockets"] = [{"name": f"S{n}"} for n in range(1, 5)]
    took_s = {
        scans: run_plan([{"enumerate": {"scans": scans}}], data).record.duration_s
        for scans in (1, 10)
    }
    start_s = run_plan([{"reset": {"times": 1}}], data).record.duration_s
    assert took_s[10] - start_s < 4 * (took_s[1] - start_s)
