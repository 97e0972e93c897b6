"""The ledger's tables: tests of units, what was found in them, who owns a ROM code.

A test belongs to a run and a unit and stands in the ledger once (`run_id` and
`unit_serial` are unique together), so booking a journal twice changes nothing.
`ownership` has one row a ROM code: the unit that was seen with it first. That row
is what makes a second unit with the same code stand out, however many stations
write at the same moment.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    false,
)

FORMAT = 1
"""Version of these tables."""

metadata = MetaData()

ledger_format = Table(
    "slotproof_ledger", metadata, Column("format", Integer, primary_key=True)
)

unit_test = Table(
    "unit_test",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", String(64), nullable=False),
    Column("unit_serial", String(200), nullable=False, index=True),
    Column("lot", String(200), nullable=False, index=True),
    Column("station", String(200), nullable=False),
    Column("place", String(200), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("ending", String(16), nullable=False),
    Column("reason_step", Text, nullable=False),
    Column("reason_kind", String(64), nullable=False),
    Column("reason_message", Text, nullable=False),
    Column("reason_hint", Text, nullable=False),
    Column("started_at", String(40), nullable=False, index=True),
    Column("finished_at", String(40), nullable=False),
    Column("duration_s", Float, nullable=False),
    Column("plan_title", String(200), nullable=False),
    Column("plan_sha256", String(64), nullable=False),
    Column("fixture_title", String(200), nullable=False),
    Column("fixture_sha256", String(64), nullable=False),
    Column("host", String(200), nullable=False),
    Column("version", String(40), nullable=False),
    Column("journal", Text, nullable=False),
    Column("simulated", Boolean, nullable=False, server_default=false()),
    UniqueConstraint("run_id", "unit_serial"),
)

_TEST = "unit_test.id"

seen_device = Table(
    "seen_device",
    metadata,
    Column("test_id", ForeignKey(_TEST, ondelete="CASCADE"), primary_key=True),
    Column("rom_code", String(16), primary_key=True, index=True),
    Column("socket", String(40), nullable=False),
)

reading = Table(
    "reading",
    metadata,
    Column("test_id", ForeignKey(_TEST, ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("step", Text, nullable=False),
    Column("rom_code", String(16), nullable=False),
    Column("name", String(200), nullable=False),
    Column("value", Float),
    Column("text", Text, nullable=False),
    Column("unit", String(40), nullable=False),
    Column("low", Float),
    Column("high", Float),
    Column("outcome", String(16), nullable=False),
    Column("condition", Text, nullable=False, server_default=""),
)

ownership = Table(
    "ownership",
    metadata,
    Column("rom_code", String(16), primary_key=True),
    Column("unit_serial", String(200), nullable=False),
    Column("lot", String(200), nullable=False),
    Column("station", String(200), nullable=False),
    Column("run_id", String(64), nullable=False),
    Column("since", String(40), nullable=False),
)

device_constants = Table(
    "device_constants",
    metadata,
    Column("rom_code", String(16), primary_key=True),
    Column("constants", String(80), nullable=False),
    Column("since", String(40), nullable=False),
)
"""Bytes of each device's own block that never change, from the first test that read them."""

number_block = Table(
    "number_block",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("first", BigInteger, primary_key=True, autoincrement=False),
    Column("last", BigInteger, nullable=False),
    Column("station", String(200), nullable=False),
    Column("folder", Text, nullable=False),
    Column("at", String(40), nullable=False),
)
"""Numbers that stations took: each block of a range once."""

number_free = Table(
    "number_free",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("taken_by", String(200), nullable=False),
    Column("folder", Text, nullable=False),
    Column("at", String(40), nullable=False),
)
"""Numbers that came back; free while nobody stands in ``taken_by``."""

number_of_unit = Table(
    "number_of_unit",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("unit_serial", String(200), primary_key=True),
    Column("number", BigInteger, nullable=False),
    Column("station", String(200), nullable=False),
    Column("at", String(40), nullable=False),
)
"""Which unit has which number of a range, for its tests in other shifts."""
