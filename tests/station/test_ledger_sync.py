"""The ledger behind a station: away, locked, full, stopped; nothing is lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.records import Outcome
from harness.results.ledger.entry import Reason, UnitFacts, UnitTest
from harness.results.ledger.ledger import Ledger
from harness.results.reports.rebuild import read_record
from harness.station.ledger_sync import MARK, LedgerSync, unbooked_journals
from harness.wire.romcode import RomCode

Line = Any
"""A production line to rehearse on; conftest has its class."""

WAIT_S = 60.0
"""Longest wait of a test for the bookkeeper, which comes at once unless it is broken."""


def one(serial: str) -> list[dict[str, Any]]:
    """A feed of one insertion."""
    return [{"serial": serial, "devices": [1]}]


@pytest.fixture
def holder(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """Somebody else who can hold the ledger of the shift."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert ledger.count() == 0
    held = sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)
    yield held
    held.close()


@pytest.mark.slow
def test_a_locked_ledger_is_caught_up_later(
    line: Line, holder: sqlite3.Connection, tmp_path: Path
) -> None:
    """Units tested while it is locked keep their verdicts, and the next shift books them."""
    holder.execute("BEGIN EXCLUSIVE")
    first = line.orders(line.place("left", [line.probe(1)], one("CS-1")))
    ended = line.run(first)
    assert ended.verdicts() == ["PASS CS-1"]
    assert ended.end.unbooked == 1
    assert "the ledger is away, the station goes on" in ended.line("ledger")
    (journal,) = ended.folder.glob("*/journal.jsonl")
    assert read_record(journal).results[-1][1].shown.kind == "ledger-away"
    holder.execute("ROLLBACK")
    second = line.orders(
        line.place("right", [line.probe(2)], one("CS-2")),
        folder=tmp_path / "results" / "next",
    )
    assert line.run(second).end.unbooked == 0
    assert [t.unit.serial for t in line.in_ledger(second)] == ["CS-1", "CS-2"]


@pytest.mark.slow
def test_a_clone_is_found_late_where_the_ledger_was_away(
    line: Line, holder: sqlite3.Connection, tmp_path: Path
) -> None:
    """A copy tested on another station meanwhile is told as soon as both are booked."""
    holder.execute("BEGIN EXCLUSIVE")
    line.run(line.orders(line.place("left", [line.probe(1)], one("CS-1"))))
    holder.execute("ROLLBACK")
    copied = line.orders(
        line.place("right", [line.probe(1)], one("CS-2")),
        folder=tmp_path / "elsewhere" / "shift",
    )
    assert line.run(copied).verdicts() == ["PASS CS-2"]
    third = line.orders(
        line.place("mid", [line.probe(3)], one("CS-3")),
        folder=tmp_path / "results" / "next",
    )
    late = line.run(third).line("LATE FINDING")
    assert "CS-1 and CS-2" in late


@pytest.mark.slow
def test_a_clone_is_caught_without_the_ledger(
    line: Line, holder: sqlite3.Connection
) -> None:
    """What the station itself has seen is known to it, ledger or not."""
    holder.execute("BEGIN EXCLUSIVE")
    feed = [*one("CS-1"), {"serial": "CS-2", "devices": [2]}]
    ended = line.run(
        line.orders(line.place("left", [line.probe(1), line.probe(1)], feed))
    )
    assert ended.verdicts() == ["PASS CS-1", "FAIL CS-2"]
    holder.execute("ROLLBACK")


@pytest.mark.slow
def test_the_ledger_comes_back_while_the_shift_goes_on(
    line: Line, holder: sqlite3.Connection, tmp_path: Path
) -> None:
    """The bookkeeper tries again by itself, says so, and marks what it booked."""
    holder.execute("BEGIN EXCLUSIVE")
    folder = line.run(
        line.orders(line.place("left", [line.probe(1)], one("CS-1")))
    ).folder
    said: list[str] = []
    with Ledger(tmp_path / "ledger.sqlite", wait_s=0.05) as ledger:
        ledger_sync = LedgerSync(ledger, said.append)
        ledger_sync.start()
        for journal in unbooked_journals(folder):
            ledger_sync.hand_over(journal)
        while not ledger_sync.is_away:
            ledger_sync.wait_until_idle(0.01)
        holder.execute("ROLLBACK")
        assert ledger_sync.wait_until_idle(WAIT_S)
        assert ledger_sync.finish(patience_s=WAIT_S) == 0
        assert ledger.count() == 1
    assert said[-1] == "the ledger is back"
    assert len(list(folder.glob(f"*/{MARK}"))) == 1
    assert unbooked_journals(folder) == []


def test_what_is_no_journal_does_not_stop_the_bookkeeper(line: Line) -> None:
    """A journal cut in its first line tells of no unit: it is told, and the others are booked."""
    ordered = line.orders(line.place("left", [line.probe(1)], one("CS-1")))
    cut = ordered.folder / "left-cs-0-1" / "journal.jsonl"
    cut.parent.mkdir(parents=True)
    cut.write_text('{"event":"run_sta')
    ended = line.run(ordered)
    assert "not booked" in ended.line("cut before its run began")
    assert ended.verdicts() == ["PASS CS-1"]
    assert [t.unit.serial for t in line.in_ledger(ordered)] == ["CS-1"]


Postgres = Any
"""A server to stop and start; conftest has its class."""


@pytest.mark.postgres
@pytest.mark.slow
def test_a_server_that_stops_in_mid_shift(
    line: Line, postgres: Postgres, tmp_path: Path
) -> None:
    """PostgreSQL stopped: the shift goes on; started again: all is there, and clones are known."""

    def shift(name: str, serial: str, code: int) -> Any:  # noqa: ANN401
        return line.run(
            line.orders(
                line.place(name, [line.probe(code)], one(serial)),
                ledger=postgres.url,
                folder=tmp_path / "results" / name,
            )
        )

    assert shift("a", "CS-1", 1).end.unbooked == 0
    postgres.stop()
    away = shift("b", "CS-2", 2)
    assert away.verdicts() == ["PASS CS-2"]
    assert away.end.unbooked == 1
    postgres.start()
    back = shift("c", "CS-3", 2)
    with Ledger(postgres.url) as ledger:
        assert sorted(t.unit.serial for t in ledger.tests()) == ["CS-1", "CS-2", "CS-3"]
        (conflict,) = ledger.conflicts()
    assert {conflict.owner, conflict.serial} == {"CS-2", "CS-3"}
    assert back.end.unbooked == 0


def test_asking_costs_nothing_while_the_ledger_is_away(
    tmp_path: Path, holder: sqlite3.Connection
) -> None:
    """After one failure no place waits for the ledger again: it is not asked."""
    holder.execute("BEGIN EXCLUSIVE")
    said: list[str] = []
    with Ledger(tmp_path / "ledger.sqlite", wait_s=0.05) as ledger:
        ledger_sync = LedgerSync(ledger, said.append)
        unit = UnitFacts(serial="CS-1")
        assert ledger_sync.claim(["3D0000A4B3C2D128"], unit, "r1") is None
        assert ledger_sync.is_away
        holder.execute("ROLLBACK")
        assert ledger_sync.tests_of(serial="CS-1") == []
        assert ledger_sync.is_away
    assert len(said) == 1


def unit_test(serial: str, *codes: str, place: str = "left", at: str = "1") -> UnitTest:
    """A test of a unit with these devices."""
    return UnitTest(
        unit=UnitFacts(serial=serial, place=place),
        run_id=f"{serial}-{at}",
        outcome=Outcome.PASSED,
        ending="complete",
        reason=Reason(),
        rom_codes=tuple((code, "left") for code in codes),
        readings=(),
        started_at=f"2026-11-0{at}T08:00:00Z",
        finished_at="",
        duration_s=1.0,
        plan_title="",
        plan_sha256="",
        fixture_title="",
        fixture_sha256="",
        host="",
        version="",
        journal="",
    )


CODES = [str(RomCode.build(0x28, 977 * n)) for n in range(1, 6)]


def test_guesses_are_the_units_own_devices_then_its_lots(tmp_path: Path) -> None:
    """A unit that comes again, the ledger, and units that sat here; not those beside."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.book_test(unit_test("CS-1", CODES[0], at="1"))
        ledger.book_test(unit_test("CS-1", CODES[1], at="2"))
        sync = LedgerSync(ledger, lambda _text: None)
        sync.remember(unit_test("CS-2", CODES[2]))
        sync.remember(unit_test("CS-3", CODES[3], place="right"))
        again = sync.guesses(serial="CS-1", position="left")
        assert [str(rom) for rom in again.recalled] == [CODES[1]]
        assert [str(rom) for rom in again.seen] == [CODES[n] for n in (1, 2, 0)]
        new = sync.guesses(serial="", position="left")
        assert new.recalled == ()
        assert [str(rom) for rom in new.seen] == [CODES[n] for n in (2, 1, 0)]
        assert again.sentence([]) == ""


def test_a_ledger_that_is_away_costs_the_guesses_alone(
    holder: sqlite3.Connection, tmp_path: Path
) -> None:
    """Said once; the units of this shift are guessed from nevertheless."""
    said: list[str] = []
    holder.execute("BEGIN EXCLUSIVE")
    with Ledger(tmp_path / "ledger.sqlite", wait_s=0.01) as ledger:
        sync = LedgerSync(ledger, said.append)
        sync.remember(unit_test("CS-2", CODES[2]))
        found = [sync.guesses(serial="", position="left") for _ in range(2)]
    assert [[str(rom) for rom in guess.seen] for guess in found] == [[CODES[2]]] * 2
    assert len(said) == 1
    holder.execute("ROLLBACK")
