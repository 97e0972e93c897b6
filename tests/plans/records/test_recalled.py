"""``--recall``: journals, results folders and ledgers, and what else is named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import app
from harness.errors import UsageError
from harness.plans.records.recalled import guesses_of
from harness.results.ledger.ledger import Ledger
from harness.wire.romcode import RomCode

ROOT = Path(__file__).parents[3]
RUN = [
    "run", str(ROOT / "test_plans/serial_numbers.yaml"),
    "--fixture", str(ROOT / "fixtures/demo_bench.yaml"), "-q", "--into",
]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of a run of eight devices."""
    made = tmp_path_factory.mktemp("recall") / "first"
    said = CliRunner().invoke(app, [*RUN, str(made)])
    assert said.exit_code == 0, said.output
    return made


def test_a_journal_and_its_folder_are_one(folder: Path) -> None:
    """Its devices may be on the bus still, and speak for their lots."""
    found = guesses_of([str(folder)])
    journal = guesses_of([str(folder / "journal.jsonl")])
    assert len(found.recalled) == 8
    assert (journal.recalled, journal.seen) == (found.recalled, found.seen)
    assert found.seen == found.recalled


def test_a_ledger_speaks_for_lots_alone(folder: Path, tmp_path: Path) -> None:
    """Its units are elsewhere: of the devices in it none is expected on this bus."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.book(folder / "journal.jsonl")
    found = guesses_of([str(tmp_path / "ledger.sqlite")])
    assert found.recalled == ()
    assert set(found.seen) == set(guesses_of([str(folder)]).recalled)
    both = guesses_of([str(tmp_path / "ledger.sqlite"), str(folder)])
    assert len(both.recalled) == len(both.seen) == 8
    assert all(isinstance(rom, RomCode) for rom in both.seen)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "no journal.jsonl in this folder"),
        ("none.jsonl", "cannot be read"),
        ("text.txt", "no journal"),
        ("mysql://host/name", "neither a file nor a postgresql"),
    ],
)
def test_what_is_none_of_these_is_said(name: str, said: str, tmp_path: Path) -> None:
    """Before anything is sent, with the place."""
    (tmp_path / "text.txt").write_text("a text\n", "utf-8")
    source = name if "://" in name else str(tmp_path / name)
    with pytest.raises(UsageError) as fault:
        guesses_of([source])
    assert said in str(fault.value)


def test_a_run_takes_them(folder: Path, tmp_path: Path) -> None:
    """By one option; of devices that the fixture names anyway nobody is told."""
    bench = ROOT / "fixtures/demo_bench.yaml"
    anonymous = tmp_path / "anonymous.yaml"
    anonymous.write_text(
        re.sub(r", rom_code: \"?\w{16}\"?", "", bench.read_text("utf-8")), "utf-8"
    )
    for fixture, is_told in ((bench, False), (anonymous, True)):
        words = [str(fixture) if word == str(bench) else word for word in RUN]
        into = tmp_path / f"told-{is_told}"
        said = CliRunner().invoke(app, [*words, str(into), "--recall", str(folder)])
        assert said.exit_code in {0, 1}, said.output
        journal = (into / "journal.jsonl").read_text("utf-8")
        assert (f"guesses from 8 devices of {folder}" in journal) == is_told
