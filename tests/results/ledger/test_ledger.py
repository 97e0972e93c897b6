"""The ledger: nothing lost, nothing twice, and a known ROM code stands out."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.results.ledger.engine import location_of, url_of
from harness.results.ledger.entry import UnitFacts, read_test
from harness.results.ledger.ledger import Ledger, LedgerAway
from harness.results.ledger.lines import _cell, write_csv

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

ROM_A, ROM_B = "3D0000A4B3C2D128", "620000A4B3C2E728"


@pytest.fixture
def journal(tmp_path: Path, new_script: Make) -> Make:
    """Write the journal of an invented unit's test."""

    def write(
        serial: str = "CS-000101",
        rom_code: str = ROM_A,
        *,
        run_id: str = "run-0001",
        lot: str = "lot 7",
        station: str = "hall 2",
        degc: float = 21.25,
        cut: bool = False,
    ) -> Path:
        device = DeviceRef(rom_code=rom_code, family=0x28, socket="left")
        value = Measurement(
            name="temperature", value=degc, unit="degC", low=20, high=22
        )
        outcome = Outcome.PASSED if value.holds else Outcome.FAILED
        found = CheckResult(
            outcome=Outcome.PASSED,
            device=device,
            measurements=(Measurement(name="rom_code", value=rom_code),),
        )
        read = CheckResult(
            outcome=outcome,
            device=device,
            measurements=(value,),
            kind="" if value.holds else "limit",
            message="" if value.holds else "too warm",
        )
        unit = {"serial": serial, "lot": lot, "station": station, "place": "left"}
        made = new_script().start(
            ("1", "enumerate", "enumerate 1"),
            ("2", "read", "read temperature"),
            run_id=run_id,
            unit=unit,
        )
        made.step("1", "enumerate", "enumerate 1", found)
        made.step("2", "read", "read temperature", read)
        if not cut:
            made.add(
                "run_done",
                outcome=str(outcome),
                exit_code=0 if value.holds else 1,
                interrupted=False,
            )
        path: Path = tmp_path / f"{run_id}-{serial}-{cut}.jsonl"
        path.write_text("".join(json.dumps(e) + "\n" for e in made.events))
        return path

    return write


# -- booking ---------------------------------------------------------------------


def test_a_journal_is_booked_whole(ledger: Ledger, journal: Make) -> None:
    """What the ledger gives back is what the journal tells, value by value."""
    path = journal()
    booked = ledger.book(path)
    assert booked.is_new
    assert ledger.tests_of(serial="CS-000101") == [read_test(path)]
    assert booked.test.rom_codes == ((ROM_A, "left"),)
    assert booked.test.unit == UnitFacts(
        serial="CS-000101", lot="lot 7", station="hall 2", place="left"
    )
    assert [(r.name, r.value, r.low) for r in booked.test.readings] == [
        ("rom_code", None, None),
        ("temperature", 21.25, 20),
    ]


def test_booking_twice_changes_nothing(ledger: Ledger, journal: Make) -> None:
    """The same journal, again and from another folder, stays one test."""
    path = journal()
    ledger.book(path)
    before = ledger.tests_of(serial="CS-000101")
    moved = path.rename(path.with_name("moved.jsonl"))
    assert not ledger.book(moved).is_new
    assert ledger.tests_of(serial="CS-000101") == before
    assert ledger.count() == 1


def test_the_latest_codes_are_each_given_once(ledger: Ledger, journal: Make) -> None:
    """Of the tests booked last, as far as they are asked for."""
    for number, code in enumerate((ROM_A, ROM_B, ROM_A)):
        ledger.book(journal(f"CS-{number}", code, run_id=f"run-{number}"))
    assert ledger.latest_codes(most=10) == [ROM_A, ROM_B]
    assert ledger.latest_codes(most=1) == [ROM_A]


def test_a_cut_run_is_an_error_until_its_whole_is_booked(
    ledger: Ledger, journal: Make
) -> None:
    """A journal booked while it grew is replaced by the finished one, never the reverse."""
    cut, whole = journal(cut=True), journal()
    ledger.book(cut)
    assert [t.outcome for t in ledger.tests()] == [Outcome.ERROR]
    assert ledger.book(whole).is_new
    assert not ledger.book(cut).is_new
    (test,) = ledger.tests_of(serial="CS-000101")
    assert test == read_test(whole)


def test_a_failed_test_keeps_its_reason(ledger: Ledger, journal: Make) -> None:
    """The step, the kind and the sentence stand beside the verdict."""
    ledger.book(journal(degc=25.0))
    (test,) = ledger.tests(outcome="failed")
    assert (test.reason.step, test.reason.kind) == ("read temperature", "limit")
    assert test.reason.message == "too warm"


def test_tests_by_lot_and_date(ledger: Ledger, journal: Make) -> None:
    """Lot and date narrow the list; order is that of time."""
    ledger.book(journal("CS-000101", ROM_A, run_id="r1", lot="lot 7"))
    ledger.book(journal("CS-000102", ROM_B, run_id="r2", lot="lot 8"))
    assert [t.unit.serial for t in ledger.tests()] == ["CS-000101", "CS-000102"]
    assert [t.unit.serial for t in ledger.tests(lot="lot 8")] == ["CS-000102"]
    assert list(ledger.tests(since="2026-11-25")) == []


def test_what_is_no_journal_is_refused(ledger: Ledger, tmp_path: Path) -> None:
    """A file that is no journal is the caller's mistake, and nothing is booked."""
    path = tmp_path / "list.txt"
    path.write_text("bread, milk\n")
    with pytest.raises(UsageError, match="no journal"):
        ledger.book(path)
    assert ledger.count() == 0


# -- ROM codes ---------------------------------------------------------------------


def test_a_known_rom_code_in_another_unit_is_told(
    ledger: Ledger, journal: Make
) -> None:
    """Across lots and stations: the second unit with a ROM code is told of the first."""
    ledger.book(journal("CS-000101", ROM_A, run_id="r1", lot="lot 7", station="hall 2"))
    other = UnitFacts(serial="CS-000950", lot="lot 9", station="hall 5")
    (conflict,) = ledger.claim([ROM_B, ROM_A], other, run_id="r2", at="2026-11-25")
    assert (conflict.rom_code, conflict.owner) == (ROM_A, "CS-000101")
    assert (conflict.owner_lot, conflict.owner_station) == ("lot 7", "hall 2")
    assert (
        ledger.claim(
            [ROM_A], UnitFacts(serial="CS-000101"), run_id="r3", at="2026-11-26"
        )
        == ()
    )


def test_booking_tells_conflicts_too(ledger: Ledger, journal: Make) -> None:
    """Units tested while the ledger was away are compared when they are booked."""
    assert ledger.book(journal("CS-000101", run_id="r1")).conflicts == ()
    booked = ledger.book(journal("CS-000102", run_id="r2"))
    assert [c.owner for c in booked.conflicts] == ["CS-000101"]
    assert [(c.owner, c.serial) for c in ledger.conflicts()] == [
        ("CS-000101", "CS-000102")
    ]


def test_a_label_read_wrongly_can_be_put_right(ledger: Ledger, journal: Make) -> None:
    """Reassigned, the ROM code belongs to the right unit; tests stay as booked."""
    ledger.book(journal("CS-WRONG", ROM_A))
    assert ledger.reassign(ROM_A, serial="CS-000101") == "CS-WRONG"
    right = UnitFacts(serial="CS-000101")
    assert ledger.claim([ROM_A], right, run_id="r2", at="2026-11-25") == ()
    assert [t.unit.serial for t in ledger.tests_of(rom_code=ROM_A)] == ["CS-WRONG"]


def test_units_without_serial_number_claim_nothing(
    ledger: Ledger, journal: Make
) -> None:
    """Where no serial numbers are used, a ROM code seen again is the same unit."""
    ledger.book(journal("", run_id="r1"))
    assert ledger.book(journal("", run_id="r2")).conflicts == ()
    assert len(ledger.tests_of(rom_code=ROM_A)) == 2


# -- databases -----------------------------------------------------------------------


def test_a_locked_ledger_is_away_and_comes_back(tmp_path: Path, journal: Make) -> None:
    """A database that somebody holds takes nothing; once free it takes all."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path, wait_s=0.05) as ledger:
        ledger.book(journal(run_id="r1"))
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LedgerAway, match="locked"):
            ledger.book(journal(run_id="r2"))
        holder.execute("ROLLBACK")
        holder.close()
        assert ledger.book(journal(run_id="r2")).is_new
        assert ledger.count() == 2


def test_a_full_disk_leaves_whole_tests_only(tmp_path: Path, journal: Make) -> None:
    """When the database can grow no more, the test in hand is left out whole."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.book(journal(run_id="r0"))
        with ledger._writing() as connection:
            connection.exec_driver_sql("PRAGMA max_page_count=1")  # rises to its size
        paths = [journal(run_id=f"r{number}") for number in range(500)]
        with pytest.raises(LedgerAway, match="full"):
            any(ledger.book(path) is None for path in paths)
        kept = ledger.count()
        assert all(len(t.readings) == 2 for t in ledger.tests(whole=True))
        with ledger._writing() as connection:
            connection.exec_driver_sql("PRAGMA max_page_count=100000")
        assert ledger.book(journal(run_id=f"r{kept}")).is_new


def test_a_ledger_of_another_format_is_refused(tmp_path: Path) -> None:
    """Tables of another version are left alone."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        assert ledger.count() == 0
    with sqlite3.connect(path) as plain:
        plain.execute("UPDATE slotproof_ledger SET format = 99")
    plain.close()
    with Ledger(path) as ledger, pytest.raises(UsageError, match="format 99"):
        ledger.count()


def test_a_password_is_never_shown() -> None:
    """Messages name the server, not the password in its URL."""
    shown = location_of(url_of("postgresql://ann:s3cret@db/ledger"))
    assert "s3cret" not in shown
    assert "db/ledger" in shown
    with pytest.raises(UsageError) as refused:
        url_of("mysql://ann:s3cret@db/ledger")
    assert "s3cret" not in str(refused.value)


BOOKS = """
import sys
from pathlib import Path
from harness.results.ledger.ledger import Ledger
with Ledger(sys.argv[1], wait_s=60) as ledger:
    for path in sorted(Path(sys.argv[2]).glob(sys.argv[3])):
        ledger.book(path)
"""


@pytest.mark.slow
def test_two_stations_with_a_thousand_units(
    ledger_setting: str, journal: Make, tmp_path: Path
) -> None:
    """Two processes book 500 units each at once: 1,000 in the ledger, the one clone told."""
    for number in range(1000):
        station = "ab"[number % 2]
        serial = 1 if number in {1, 998} else number + 2  # one ROM code comes twice
        path = journal(
            f"CS-{number:06d}", f"{serial:014X}28", run_id=f"{station}{number:03d}"
        )
        path.rename(tmp_path / f"{station}-{number:03d}.jsonl")
    stations = [
        subprocess.Popen(
            [sys.executable, "-c", BOOKS, ledger_setting, str(tmp_path), f"{name}-*"]
        )
        for name in "ab"
    ]
    assert [station.wait(timeout=300) for station in stations] == [0, 0]
    with Ledger(ledger_setting) as ledger:
        assert ledger.count() == 1000
        assert len({t.unit.serial for t in ledger.tests()}) == 1000
        (conflict,) = ledger.conflicts()
    assert {conflict.owner, conflict.serial} == {"CS-000001", "CS-000998"}


def test_conditions_and_a_ledger_of_an_earlier_version(
    tmp_path: Path, journal: Make
) -> None:
    """A ledger without that column gets it; what a vary step had set is a column of CSV."""
    path, out = tmp_path / "old.sqlite", io.StringIO()
    with Ledger(path) as ledger:
        ledger.book(journal("CS-1", ROM_A, run_id="r1"))
    with closing(sqlite3.connect(path)) as old:
        old.execute("ALTER TABLE reading DROP COLUMN condition")
        old.commit()
    varied = journal("CS-2", ROM_B, run_id="r2")
    lines = [json.loads(line) for line in varied.read_text().splitlines()]
    for event in lines:
        if event["event"] == "step_started" and event["step"] == "2":
            event["under"] = "0 degC, 3.3 V"
    varied.write_text("".join(json.dumps(e) + "\n" for e in lines))
    with Ledger(path) as ledger:
        ledger.book(varied)
        write_csv(
            ledger.tests(lot="lot 7", since="", outcome="", whole=True),
            out,
            values=True,
        )
    out.seek(0)
    found = {
        (row["unit_serial"], row["condition"])
        for row in csv.DictReader(out)
        if row["quantity"] == "temperature"
    }
    assert found == {("CS-1", ""), ("CS-2", "0 degC, 3.3 V")}


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("-40 degC, 3 V", "-40 degC, 3 V"),
        ("-1.5e-3 A", "-1.5e-3 A"),
        ("+5", "+5"),
        ("-40 degC, =1+1", "'-40 degC, =1+1"),
        ("-2+3+cmd|' /C calc'!A0", "'-2+3+cmd|' /C calc'!A0"),
        ("-A1", "'-A1"),
        ("=1+1", "'=1+1"),
        ("@SUM(1)", "'@SUM(1)"),
        ("3 V", "3 V"),
    ],
)
def test_what_begins_a_formula(text: str, cell: str) -> None:
    """Numbers with units compute nothing; all else behind a sign gets an apostrophe."""
    assert _cell(text) == cell
