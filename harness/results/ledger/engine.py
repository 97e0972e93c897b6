"""Opening the ledger's database: SQLite in a file, or PostgreSQL by its URL.

SQLite runs in write-ahead mode with every commit forced to the disk, so that
``kill -9`` and a power cut leave whole transactions. A transaction that will write
says so when it begins: two writers then wait for each other instead of failing
half-way. Keep the file on a local disk (network shares do not lock well); where many
stations share one ledger, take PostgreSQL.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import (
    Connection,
    Engine,
    create_engine,
    event,
    insert,
    inspect,
    select,
    text,
)
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from harness.errors import AdapterError, UsageError
from harness.results.ledger.tables import FORMAT, ledger_format, metadata

READS = "slotproof_reads"
"""Execution option of a connection that only reads."""

_SETTING_UP = 7_267_283
"""Number of the lock under which PostgreSQL makes the tables; ours alone."""


class LedgerAway(AdapterError):
    """The ledger's database does not answer, is locked, or takes nothing more."""

    kind = "ledger-away"
    default_hint = (
        "journals are kept and booked later; check the database, its disk and network"
    )


def url_of(setting: str) -> URL:
    """A path becomes SQLite, a ``postgresql://`` URL stays what it is.

    Raises:
        UsageError: any other kind of URL.
    """
    if "://" not in setting:
        return URL.create("sqlite", database=str(Path(setting).resolve()))
    try:
        url = make_url(setting)
    except ArgumentError:
        url = None
    name = url.get_backend_name() if url is not None else ""
    if url is not None and name == "sqlite" and url.database:
        return url
    if url is not None and name == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    raise UsageError(
        # the URL may hold a password, so it is not repeated
        "the ledger is neither a file nor a postgresql:// URL",
        hint="name a file such as results/ledger.sqlite, or postgresql://user@host/name",
    )


def location_of(url: URL) -> str:
    """The database as shown to people, without its password."""
    if url.get_backend_name() == "sqlite":
        return url.database or ""
    return url.render_as_string(hide_password=True)


def make_engine(url: URL, *, wait_s: float) -> Engine:
    """An engine for one ledger; nothing is opened yet.

    Args:
        url: see ``url_of``.
        wait_s: longest wait for a lock or for a server that does not answer.

    Raises:
        UsageError: PostgreSQL without its driver.
    """
    if url.get_backend_name() == "sqlite":
        engine = create_engine(url, connect_args={"timeout": wait_s})
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    limit_ms = max(1, round(wait_s * 1000))
    try:
        return create_engine(
            url,
            pool_pre_ping=True,
            connect_args={
                "connect_timeout": max(2, round(wait_s)),
                "options": f"-c lock_timeout={limit_ms} -c statement_timeout={4 * limit_ms}",
            },
        )
    except ImportError as cause:
        raise UsageError(
            "PostgreSQL needs its driver, which is not installed",
            hint="pip install 'psycopg[binary]'",
        ) from cause


def _prepare_sqlite(
    connection: sqlite3.Connection, _entry: ConnectionPoolEntry
) -> None:
    connection.isolation_level = None  # transactions begin as `_begin_sqlite` says
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    reads = connection.get_execution_options().get(READS, False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


@contextmanager
def database_errors(url: URL) -> Iterator[None]:
    """Turn what a database raises into ``LedgerAway``.

    Raises:
        LedgerAway: whatever the database did not do.
    """
    try:
        yield
    except DBAPIError as cause:
        # only the driver's own sentence: the statement may hold data
        words = " ".join(str(cause.orig).split())
        raise LedgerAway(
            f"the ledger takes nothing now ({words})", where=location_of(url)
        ) from cause
    except (SQLAlchemyError, OSError) as cause:
        raise LedgerAway(
            f"the ledger takes nothing now ({type(cause).__name__})",
            where=location_of(url),
        ) from cause


def _add_missing(connection: Connection) -> None:
    """Add the columns that ledgers of earlier versions lack.

    Their defaults let an earlier version go on writing to the same ledger.
    """
    there = {column["name"] for column in inspect(connection).get_columns("unit_test")}
    if "simulated" not in there:
        no = "false" if connection.dialect.name == "postgresql" else "0"
        connection.execute(
            text(
                f"ALTER TABLE unit_test ADD COLUMN simulated BOOLEAN NOT NULL DEFAULT {no}"
            )
        )
    there = {column["name"] for column in inspect(connection).get_columns("reading")}
    if "condition" not in there:
        connection.execute(
            text("ALTER TABLE reading ADD COLUMN condition TEXT NOT NULL DEFAULT ''")
        )


def make_tables(engine: Engine) -> None:
    """Make the tables unless they are there, and insist on their format.

    Raises:
        UsageError: the tables are those of another version.
    """
    if engine.url.get_backend_name() == "sqlite" and engine.url.database:
        Path(engine.url.database).parent.mkdir(parents=True, exist_ok=True)
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(
                text("SELECT pg_advisory_xact_lock(:key)"), {"key": _SETTING_UP}
            )
        metadata.create_all(connection)
        _add_missing(connection)
        found = connection.execute(select(ledger_format.c.format)).scalars().all()
        if not found:
            connection.execute(insert(ledger_format).values(format=FORMAT))
        elif list(found) != [FORMAT]:
            raise UsageError(
                f"the ledger has format {found[0]}, this version has {FORMAT}",
                where=location_of(engine.url),
                hint="use the version of slotproof that made it, or a fresh ledger",
            )
