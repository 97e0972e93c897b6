"""Names of earlier versions go on loading, wherever a file may hold them."""

from __future__ import annotations

import contextlib
import json
import shutil
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness import cli
from harness.families import registry
from harness.lots.readings import read_lot
from harness.old_names import (
    OLD_NAMES,
    RenamedName,
    current_title,
    printed_notes,
    renamed,
)
from harness.plans.execution.connection import connect
from harness.plans.execution.resume import read_resumption
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import parse_plan
from harness.plans.loading.problems import PlanError
from harness.plans.schema.bodies import Configure, Read
from harness.plans.schema.checks import CheckBody
from harness.plans.schema.soak import Soak
from harness.results.journal.reader import Tail, read_events
from harness.results.journal.writer import Journal
from harness.results.ledger.entry import LedgerReading, UnitFacts, read_test
from harness.results.ledger.ledger import Ledger
from harness.results.reports.rebuild import read_record

Make = Callable[..., Any]
KEPT = Path(__file__).parent / "old_journals" / "all_families"

PLAN = """\
plan: written for an earlier version
steps:
  - for_each:
      family: 0x3A
      steps:
        - read: {quantity: latch_a, wanted: 1}
        - configure: {settings: {output_a: "on"}, hazard: [output-switching, high-voltage-output]}
  - for_each: {family: 0x28, steps: [{check: {function: sheet_behaviour}}]}
  - soak: {quantity: counter_b, cycles: 2, family: 0x1D}
"""


def _names_of_today() -> set[str]:
    return {
        name
        for code in registry.known_families()
        for names in (
            registry.quantity_names(code),
            registry.setting_names(code),
            registry.check_names(code),
        )
        for name in names
    }


@contextlib.contextmanager
def noted(*old: str) -> Iterator[None]:
    """What runs inside warns of exactly these old names, each with the new one."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    told = {str(w.message) for w in caught if w.category is RenamedName}
    assert told == {
        f"{name} is an old name and still loads; it is now {renamed(name)}"
        for name in old
    }


# -- the table -----------------------------------------------------------------------


def test_no_old_name_is_in_use() -> None:
    """No family goes on using an old name, and no new name is an old one."""
    assert not _names_of_today() & set(OLD_NAMES)
    assert not set(OLD_NAMES.values()) & set(OLD_NAMES)


def test_every_name_of_earlier_journals_is_known_today() -> None:
    """What a journal of version 0.1.0 names, some family has today or the table turns."""
    steps = json.loads((KEPT / "journal.jsonl").read_text("utf-8").splitlines()[0])
    named = {
        name
        for step in steps["steps"]
        if step["kind"] in {"read", "check", "configure"}
        for name in step["title"].split(maxsplit=1)[1].split(", ")
    }
    assert len(named) > 80
    assert {renamed(name) for name in named} <= _names_of_today()


@pytest.mark.parametrize(
    ("title", "now"),
    [
        ("read latch_a", "read channel_a_output_off"),
        (
            "configure output_a, output_b",
            "configure channel_a_output, channel_b_output",
        ),
        ("check sheet_behaviour", "check data_sheet_conformance"),
        ("soak counter_a", "soak input_a_count"),
    ],
)
def test_titles_made_of_names(title: str, now: str) -> None:
    """A title that was made from a name has the current name."""
    with pytest.warns(RenamedName):
        assert current_title(title) == now


@pytest.mark.parametrize("title", ["channels of latch_a", "read latch_a!", "", "reset"])
def test_titles_given_by_a_plan_stay(title: str) -> None:
    """A title of the user's own is no name of ours."""
    assert current_title(title) == title


def test_a_note_is_shown_once() -> None:
    """The same old name many times is one note; other warnings go their usual way."""
    shown: list[str] = []

    def warn() -> None:
        with printed_notes(shown.append):
            for _ in range(3):
                parse_plan(PLAN, "plan.yaml")
            warnings.warn("another", UserWarning, stacklevel=1)

    with pytest.warns(UserWarning, match="another"):
        warn()
    assert sorted(line.split()[0] for line in shown) == [
        "counter_b", "latch_a", "output_a", "sheet_behaviour",
    ]  # fmt: skip


# -- plans ---------------------------------------------------------------------------


def test_plans() -> None:
    """Reads, settings, checks and soaks of an old plan are those of now."""
    with noted("latch_a", "output_a", "sheet_behaviour", "counter_b"):
        plan = parse_plan(PLAN, "plan.yaml")
    read, configure, check, soak = (item.body for item in plan.leaf_steps())
    assert isinstance(read, Read)
    assert read.quantity == "channel_a_output_off"
    assert isinstance(configure, Configure)
    assert configure.settings == {"channel_a_output": "on"}
    assert isinstance(check, CheckBody)
    assert check.function == "data_sheet_conformance"
    assert isinstance(soak, Soak)
    assert soak.quantity == "input_b_count"


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_one_setting_under_two_names_is_a_mistake() -> None:
    """Old and new name of one setting in one step cannot both count."""
    step = "- configure: {settings: {output_a: 'on', channel_a_output: 'off'}}"
    with pytest.raises(PlanError, match="channel_a_output is named twice"):
        parse_plan(f"plan: p\nsteps:\n  {step}\n", "plan.yaml")


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_an_old_name_that_the_family_lacks_is_still_a_mistake() -> None:
    """An old name helps no family that never had the quantity."""
    steps = "{family: 0x28, steps: [{read: {quantity: latch_a}}]}"
    with pytest.raises(PlanError, match="'channel_a_output_off'"):
        parse_plan(f"plan: p\nsteps:\n  - for_each: {steps}\n", "plan.yaml")


def test_the_command_line_prints_the_note(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """One line a name on the standard error; the exit code stays."""
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN)
    monkeypatch.setattr("sys.argv", ["slotproof", "check", str(path), str(path)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert not ended.value.code
    notes = [x for x in capfd.readouterr().err.splitlines() if "latch_a" in x]
    assert notes == [
        "slotproof: note: latch_a is an old name and still loads; it is now "
        "channel_a_output_off"
    ]


# -- journals ------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_journals() -> None:
    """Steps and values of an old journal have the names of now, verdicts as they were."""
    record = read_record(KEPT / "journal.jsonl")
    names = {m.name for _, r in record.results for m in r.shown.measurements}
    titles = {step.title for step in record.steps}
    assert {"channel_a_output_off", "input_a_count", "channel_count"} <= names
    assert "read channel_a_output_off" in titles
    assert not names & set(OLD_NAMES)
    assert not {t.split(maxsplit=1)[-1] for t in titles} & set(OLD_NAMES)
    assert record.exit_code == 0


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_journals_that_are_followed() -> None:
    """Who watches a journal gets the same events as who reads it afterwards."""
    path = KEPT / "journal.jsonl"
    assert Tail(path).new_events() == list(read_events(path))


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_evidence_of_a_diagnosis(tmp_path: Path) -> None:
    """The quantities that an examination asked for stand deep inside its evidence."""
    first, *_ = (KEPT / "journal.jsonl").read_bytes().splitlines(keepends=True)
    found = {"devices": [{"readings": [{"quantity": "latch_a", "value": "latch_a"}]}]}
    done = {
        "event": "check_done",
        "step": "1",
        "result": {"outcome": "passed", "evidence": {"diagnosis": {"found": found}}},
    }
    path = tmp_path / "journal.jsonl"
    path.write_bytes(first + json.dumps(done).encode() + b"\n")
    event = list(read_events(path))[1]
    (reading,) = event["result"]["evidence"]["diagnosis"]["found"]["devices"][0][
        "readings"
    ]
    assert reading == {"quantity": "channel_a_output_off", "value": "latch_a"}


# -- ledger --------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_ledgers_and_what_units_shows(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Rows that an earlier version booked are shown and exported by the names of now."""
    old = LedgerReading(
        step="2 read counter_a", rom_code="", name="counter_a", value=3.0, text="3",
        unit="counts", low=None, high=None, outcome="passed",
    )  # fmt: skip
    path = tmp_path / "units.sqlite"
    test = read_test(KEPT / "journal.jsonl")
    with Ledger(path) as ledger:
        ledger.book_test(
            replace(test, unit=UnitFacts(serial="CS-1"), readings=(old,), rom_codes=())
        )
    with Ledger(path) as ledger:
        (reading,) = ledger.tests_of(serial="CS-1")[0].readings
    assert (reading.step, reading.name) == ("2 read input_a_count", "input_a_count")
    for question in (["show", "CS-1"], ["export", "--values"]):
        monkeypatch.setattr(
            "sys.argv", ["slotproof", "units", *question, "--ledger", str(path)]
        )
        with pytest.raises(SystemExit):
            cli.main()
        said = capfd.readouterr()
        assert "input_a_count" in said.out
        assert "counter_a" not in said.out
        assert "counter_a is an old name" in said.err


# -- lots ----------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["counter_a", "input_a_count"])
@pytest.mark.parametrize("asked", ["counter_a", "input_a_count"])
def test_lot_lists(tmp_path: Path, written: str, asked: str) -> None:
    """A list and a question go together, whichever of them is older."""
    rows = "".join(f"D{n},{n},{written},3 read {written}\n" for n in range(4))
    path = tmp_path / "lot.csv"
    path.write_text(f"device,value,quantity,step\n{rows}")
    old = {name for name in (written, asked) if name in OLD_NAMES}
    with noted(*old):
        lot = read_lot([path], quantity=asked, name="lot", step=f"read {asked}")
    assert (lot.quantity, len(lot.values)) == ("input_a_count", 4)


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_old_and_new_lists_are_one_step(tmp_path: Path) -> None:
    """A step's title that holds the name does not part an old file from a new one."""
    for name in ("counter_a", "input_a_count"):
        path = tmp_path / f"{name}.csv"
        path.write_text(f"device,value,quantity,step\n{name},1,{name},3 read {name}\n")
    lot = read_lot([tmp_path / f"{n}.csv" for n in ("counter_a", "input_a_count")],
                   quantity="input_a_count", name="lot")  # fmt: skip
    assert len(lot.values) == 2


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_lots_of_old_journals() -> None:
    """An old journal is a lot under the old and the new name."""
    lots = [
        read_lot([KEPT / "journal.jsonl"], quantity=name, name="lot")
        for name in ("counter_a", "input_a_count")
    ]
    assert lots[0].values == lots[1].values


# -- resumption ----------------------------------------------------------------------


class _Nobody:
    def ask(self, text: str, *, yes_no: bool) -> bool:
        raise AssertionError(text)


NIGHT = """\
plan: invented night of an earlier version
steps:
  - enumerate: {count: 1}
  - soak: {quantity: counter_a, cycles: 20, every_s: 30}
"""


@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_resume(
    tmp_path: Path, bench_data: Make, new_device: Make, write_fixture: Make
) -> None:
    """A night that an earlier version began goes on with the plan it began with."""
    fixture = write_fixture(bench_data([new_device(0x1D, 5)]))
    plan = parse_plan(NIGHT, "plan.yaml")
    folder = tmp_path / "run"
    path = folder / "journal.jsonl"

    def go_on(*, resume: bool) -> None:
        resumed = read_resumption(path, plan, fixture) if resume else None
        with (
            connect(fixture) as bus,
            resumed.open_journal(bus.clock)
            if resumed
            else Journal.create(folder, bus.clock) as journal,
        ):
            Runner(
                plan=plan, fixture=fixture, bus=bus, journal=journal,
                operator=_Nobody(), resumed=resumed, go_on="",
            ).run()  # fmt: skip

    go_on(resume=False)
    lines = path.read_bytes().splitlines(keepends=True)
    whole = [i for i, line in enumerate(lines) if b'"soak_progress"' in line]
    cut = b"".join(lines[: whole[len(whole) // 2]])
    path.write_bytes(cut.replace(b"input_a_count", b"counter_a"))
    assert b"counter_a" in path.read_bytes()
    go_on(resume=True)
    (night,) = read_record(path).soaks
    assert (night.cycles, night.head.quantity) == (20, "input_a_count")
    assert night.devices


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::harness.old_names.RenamedName")
def test_the_report_of_an_old_journal(tmp_path: Path) -> None:
    """The page of an old journal speaks of it by the names of now."""
    from click.testing import CliRunner

    from harness.cli import app

    shutil.copytree(KEPT, tmp_path / "kept")
    result = CliRunner().invoke(app, ["report", str(tmp_path / "kept")])
    assert result.exit_code == 0, result.output
    assert "channel_a_output_off" in (tmp_path / "kept/junit.xml").read_text("utf-8")
