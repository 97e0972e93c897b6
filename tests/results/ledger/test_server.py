"""The ledger on PostgreSQL when its server stops and starts."""

from __future__ import annotations

from typing import Any

import pytest

from harness.results.ledger.entry import UnitFacts
from harness.results.ledger.ledger import Ledger, LedgerAway

Postgres = Any
"""A server to stop and start; conftest has its class."""

ROM_CODE = "3D0000A4B3C2D128"


@pytest.mark.postgres
@pytest.mark.slow
def test_a_server_stopped_and_started(postgres: Postgres) -> None:
    """Stopped, the ledger is away; started again, it is the same and takes more."""
    with Ledger(postgres.url, wait_s=2) as ledger:
        first = UnitFacts(serial="CS-000101")
        assert ledger.claim([ROM_CODE], first, run_id="r1", at="2026-11-25") == ()
        postgres.stop()
        with pytest.raises(LedgerAway):
            ledger.count()
        postgres.start()
        second = UnitFacts(serial="CS-000102")
        (found,) = ledger.claim([ROM_CODE], second, run_id="r2", at="2026-11-26")
        assert found.owner == "CS-000101"
