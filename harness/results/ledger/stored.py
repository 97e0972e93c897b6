"""Rows of the ledger as records, and the constants of devices that it keeps."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Row, select

from harness.records import Outcome
from harness.results.ledger.entry import LedgerReading, Reason, UnitFacts, UnitTest
from harness.results.ledger.tables import device_constants, reading, seen_device

PLAIN = (
    "run_id", "ending", "started_at", "finished_at", "duration_s", "plan_title",
    "plan_sha256", "fixture_title", "fixture_sha256", "host", "version", "journal",
    "simulated",
)  # fmt: skip
"""Fields that the table and ``UnitTest`` share by name."""


def codes_of(connection: Connection, number: int) -> tuple[tuple[str, str], ...]:
    """ROM codes of a test, each with its socket."""
    found = connection.execute(
        select(seen_device.c.rom_code, seen_device.c.socket)
        .where(seen_device.c.test_id == number)
        .order_by(seen_device.c.rom_code)
    )
    return tuple((row.rom_code, row.socket) for row in found)


def readings_of(connection: Connection, number: int) -> tuple[LedgerReading, ...]:
    """Values of a test, in their order."""
    names = list(LedgerReading.__dataclass_fields__)
    found = connection.execute(
        select(*(reading.c[name] for name in names))
        .where(reading.c.test_id == number)
        .order_by(reading.c.number)
    )
    rows = (dict(zip(names, row, strict=True)) for row in found)
    return tuple(LedgerReading(**row).with_current_names() for row in rows)


def test_from(
    row: Row[Any],
    codes: tuple[tuple[str, str], ...],
    readings: tuple[LedgerReading, ...],
) -> UnitTest:
    """A test as its row and details hold it."""
    return UnitTest(
        unit=UnitFacts(
            serial=row.unit_serial, lot=row.lot, station=row.station, place=row.place
        ),
        outcome=Outcome(row.outcome),
        reason=Reason(
            step=row.reason_step,
            kind=row.reason_kind,
            message=row.reason_message,
            hint=row.reason_hint,
        ),
        rom_codes=codes,
        readings=readings,
        **{name: getattr(row, name) for name in PLAIN},
    )


def enter_constants(connection: Connection, into: Any, test: UnitTest) -> None:  # noqa: ANN401 - the class depends on the database
    """Keep the constants of a test's devices; what is known of a device stays.

    A device cannot change them, so that the first good reading decides.
    """
    if test.constants:
        connection.execute(
            into.on_conflict_do_nothing(index_elements=["rom_code"]),
            [
                {"rom_code": code, "constants": constants, "since": test.started_at}
                for code, constants in sorted(test.constants)
            ],
        )


def read_constants(connection: Connection, rom_codes: Iterable[str]) -> dict[str, str]:
    """Constants of these devices by ROM code; a device that no test read is left out."""
    found = connection.execute(
        select(device_constants.c.rom_code, device_constants.c.constants).where(
            device_constants.c.rom_code.in_(sorted(set(rom_codes)))
        )
    )
    return {row.rom_code: row.constants for row in found}
