"""The ledger: every unit ever tested, a projection of the journals.

Rule 1: the journal is the truth; what is here can be booked again from it, and
booking twice changes nothing.
Rule 2: a unit's test goes in whole, in one transaction, or not at all.
Rule 3: a ROM code belongs to the unit that was seen with it first; any other unit
with it is reported at once, across lots and stations.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, Row, Select, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from harness.results.ledger.engine import (
    READS,
    LedgerAway,
    database_errors,
    location_of,
    make_engine,
    make_tables,
    url_of,
)
from harness.results.ledger.entry import (
    UNIT,
    UnitFacts,
    UnitTest,
    read_test,
)
from harness.results.ledger.stored import (
    PLAIN,
    codes_of,
    enter_constants,
    read_constants,
    readings_of,
    test_from,
)
from harness.results.ledger.tables import (
    device_constants,
    ownership,
    reading,
    seen_device,
    unit_test,
)
from harness.results.record.steps import Ending

__all__ = ["Booked", "Conflict", "Ledger", "LedgerAway"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A ROM code that was seen before with another unit.

    Attributes:
        rom_code: the code.
        serial: the unit that has it now.
        owner: the unit that was seen with it first; its lot, station and time.
    """

    rom_code: str
    serial: str
    owner: str
    owner_lot: str
    owner_station: str
    since: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """What booking a journal did.

    Attributes:
        test: what the journal records.
        is_new: False if it stood there already.
        conflicts: ROM codes of its that belong to other units.
    """

    test: UnitTest
    is_new: bool
    conflicts: tuple[Conflict, ...]


class Ledger:
    """An open ledger; safe to use from several threads and processes.

    Args:
        setting: a file for SQLite, or a ``postgresql://`` URL.
        wait_s: longest wait for a lock or for a server that does not answer.

    Raises:
        UsageError: the setting names no database that can be used.
    """

    def __init__(self, setting: str | Path, *, wait_s: float = 5.0) -> None:
        self._engine = make_engine(url_of(str(setting)), wait_s=wait_s)
        self._is_ready = False

    @property
    def location(self) -> str:
        """Where it is, for people; without password."""
        return location_of(self._engine.url)

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """One transaction that writes.

        Raises:
            LedgerAway: the database does not answer or does not take it.
        """
        with self._writing() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with database_errors(self._engine.url):
            if not self._is_ready:
                make_tables(self._engine)
                self._is_ready = True
            with self._engine.begin() as connection:
                yield connection

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with database_errors(self._engine.url):
            if not self._is_ready:
                make_tables(self._engine)
                self._is_ready = True
            with self._engine.connect() as plain:
                yield plain.execution_options(**{READS: True})

    # -- writing -------------------------------------------------------------------

    def book(self, journal: Path) -> Booked:
        """Enter the test that a journal records; a second time changes nothing.

        A test that was booked while its run had no end yet is replaced by the whole.

        Raises:
            UsageError: it is no journal.
            LedgerAway: the database does not take it; nothing of it is entered.
        """
        return self.book_test(read_test(journal))

    def book_test(self, test: UnitTest) -> Booked:
        """As ``book``, for a journal that was read already.

        Raises:
            LedgerAway: see ``book``.
        """
        with self._writing() as connection:
            number, is_new = self._enter(connection, test)
            if is_new:
                _enter_details(connection, number, test)
                enter_constants(connection, self._insert(device_constants), test)
            codes = [code for code, _ in test.rom_codes]
            claim = _Claim(test.unit, test.run_id, test.started_at)
            conflicts = self._claim(connection, codes, claim)
        return Booked(test=test, is_new=is_new, conflicts=conflicts)

    def claim(
        self, rom_codes: Iterable[str], unit: UnitFacts, *, run_id: str, at: str
    ) -> tuple[Conflict, ...]:
        """Make ROM codes those of a unit; what belongs to others already is reported.

        Args:
            rom_codes: the codes found.
            unit: the unit that has them; without a serial number nothing is claimed.
            run_id: the run that found them.
            at: when, UTC.

        Raises:
            LedgerAway: the database does not answer; nothing is claimed.
        """
        with self._writing() as connection:
            return self._claim(connection, rom_codes, _Claim(unit, run_id, at))

    def _enter(self, connection: Connection, test: UnitTest) -> tuple[int, bool]:
        """The row's number, and whether its details are still to be entered."""
        row = _row_of(test)
        made = connection.execute(
            self._insert(unit_test)
            .values(**row)
            .on_conflict_do_nothing(index_elements=["run_id", "unit_serial"])
            .returning(unit_test.c.id)
        ).scalar()
        if made is not None:
            return int(made), True
        same = (unit_test.c.run_id == test.run_id) & (
            unit_test.c.unit_serial == test.unit.serial
        )
        number, ending = connection.execute(
            select(unit_test.c.id, unit_test.c.ending).where(same)
        ).one()
        was_cut = ending == Ending.CUT and not test.is_cut
        if was_cut:
            for table in (seen_device, reading):
                connection.execute(delete(table).where(table.c.test_id == number))
            connection.execute(
                update(unit_test).where(unit_test.c.id == number).values(**row)
            )
        return int(number), was_cut

    def _claim(
        self, connection: Connection, rom_codes: Iterable[str], claim: _Claim
    ) -> tuple[Conflict, ...]:
        codes = sorted(set(rom_codes))  # one order, so that two writers never cross
        if not codes or not claim.unit.serial:
            return ()
        connection.execute(
            self._insert(ownership).on_conflict_do_nothing(index_elements=["rom_code"]),
            [
                {
                    "rom_code": code,
                    "unit_serial": claim.unit.serial,
                    "lot": claim.unit.lot,
                    "station": claim.unit.station,
                    "run_id": claim.run_id,
                    "since": claim.at,
                }
                for code in codes
            ],
        )
        foreign = connection.execute(
            select(ownership)
            .where(ownership.c.rom_code.in_(codes))
            .where(ownership.c.unit_serial != claim.unit.serial)
            .order_by(ownership.c.rom_code)
        )
        return tuple(_conflict(row, claim.unit.serial) for row in foreign)

    def _insert(self, table: Any) -> Any:  # noqa: ANN401 - the class depends on the database
        if self._engine.dialect.name == "postgresql":
            return postgresql.insert(table)
        return sqlite.insert(table)

    def reassign(self, rom_code: str, *, serial: str) -> str:
        """Give a ROM code to another unit, after a label was read wrongly.

        Tests stay as they were booked.

        Returns:
            The unit that owned it; empty if none did.

        Raises:
            LedgerAway: the database does not answer.
        """
        this = ownership.c.rom_code == rom_code.upper()
        with self._writing() as connection:
            before = connection.execute(
                select(ownership.c.unit_serial).where(this)
            ).scalar()
            connection.execute(update(ownership).where(this).values(unit_serial=serial))
        return str(before or "")

    # -- asking --------------------------------------------------------------------

    def tests_of(self, *, serial: str = "", rom_code: str = "") -> list[UnitTest]:
        """All tests of a unit, or of any unit that had a ROM code; oldest first.

        Raises:
            LedgerAway: the database does not answer.
        """
        wanted = select(unit_test)
        if serial:
            wanted = wanted.where(unit_test.c.unit_serial == serial)
        if rom_code:
            having = select(seen_device.c.test_id).where(
                seen_device.c.rom_code == rom_code.upper()
            )
            wanted = wanted.where(unit_test.c.id.in_(having))
        return list(self._tests(wanted, whole=True))

    def tests(
        self, *, lot: str = "", since: str = "", outcome: str = "", whole: bool = False
    ) -> Iterator[UnitTest]:
        """Tests in order of time, ``whole`` with their readings.

        Args:
            lot: only of this lot.
            since: only from this date or time on (ISO, UTC).
            outcome: only with this verdict.
            whole: with readings, which costs more.

        Raises:
            LedgerAway: the database does not answer.
        """
        wanted = select(unit_test)
        if lot:
            wanted = wanted.where(unit_test.c.lot == lot)
        if since:
            wanted = wanted.where(unit_test.c.started_at >= since)
        if outcome:
            wanted = wanted.where(unit_test.c.outcome == outcome)
        return self._tests(wanted, whole=whole)

    def _tests(self, wanted: Select[Any], *, whole: bool) -> Iterator[UnitTest]:
        ordered = wanted.order_by(unit_test.c.started_at, unit_test.c.id)
        with self._reading() as connection:
            for row in connection.execute(ordered).all():
                codes = codes_of(connection, row.id)
                readings = readings_of(connection, row.id) if whole else ()
                yield test_from(row, codes, readings)

    def latest_codes(self, *, most: int) -> list[str]:
        """ROM codes of the tests that were booked last, the latest first, each once.

        Raises:
            LedgerAway: the database does not answer.
        """
        latest = func.max(seen_device.c.test_id)
        wanted = (
            select(seen_device.c.rom_code)
            .group_by(seen_device.c.rom_code)
            .order_by(latest.desc(), seen_device.c.rom_code)
            .limit(most)
        )
        with self._reading() as connection:
            return list(connection.execute(wanted).scalars())

    def constants_of(self, rom_codes: Iterable[str]) -> dict[str, str]:
        """Own constants of these devices, as far as a test read them; hex.

        Raises:
            LedgerAway: the database does not answer.
        """
        with self._reading() as connection:
            return read_constants(connection, rom_codes)

    def conflicts(self) -> list[Conflict]:
        """Every ROM code that was found in more than one unit, now or ever.

        Raises:
            LedgerAway: the database does not answer.
        """
        wanted = (
            select(ownership, unit_test.c.unit_serial.label("other"))
            .join(seen_device, seen_device.c.rom_code == ownership.c.rom_code)
            .join(unit_test, unit_test.c.id == seen_device.c.test_id)
            .where(unit_test.c.unit_serial != "")
            .where(unit_test.c.unit_serial != ownership.c.unit_serial)
            .distinct()
            .order_by(ownership.c.rom_code, unit_test.c.unit_serial)
        )
        with self._reading() as connection:
            return [_conflict(row, row.other) for row in connection.execute(wanted)]

    def count(self) -> int:
        """How many tests it holds.

        Raises:
            LedgerAway: the database does not answer.
        """
        with self._reading() as connection:
            found = connection.execute(select(func.count()).select_from(unit_test))
            return int(found.scalar_one())


@dataclass(frozen=True, slots=True)
class _Claim:
    unit: UnitFacts
    run_id: str
    at: str


def _conflict(row: Row[Any], serial: str) -> Conflict:
    return Conflict(
        rom_code=row.rom_code,
        serial=serial,
        owner=row.unit_serial,
        owner_lot=row.lot,
        owner_station=row.station,
        since=row.since,
    )


def _row_of(test: UnitTest) -> dict[str, Any]:
    row: dict[str, Any] = {name: getattr(test, name) for name in PLAIN}
    unit = UNIT.written(test.unit)
    row["unit_serial"] = unit.pop("serial")
    row |= unit
    row["outcome"] = str(test.outcome)
    row |= {f"reason_{key}": value for key, value in asdict(test.reason).items()}
    return row


def _enter_details(connection: Connection, number: int, test: UnitTest) -> None:
    if test.rom_codes:
        connection.execute(
            seen_device.insert(),
            [
                {"test_id": number, "rom_code": code, "socket": socket}
                for code, socket in test.rom_codes
            ],
        )
    if test.readings:
        connection.execute(
            reading.insert(),
            [
                {"test_id": number, "number": count, **asdict(value)}
                for count, value in enumerate(test.readings, start=1)
            ],
        )
