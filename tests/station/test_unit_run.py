"""How long the proof of an adapter lasts between the units of a shift."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from harness.plans.execution.connection import connect
from harness.plans.loading.files import load_fixture
from harness.station.unit_run import PROOF_LASTS_S, ProvedBus
from tests.conftest import device, fixture_data


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[ProvedBus]:
    """One thermometer behind an adapter that has not been proved yet."""
    path = tmp_path / "place.yaml"
    path.write_text(yaml.safe_dump(fixture_data([device(0x28, 7)])), encoding="utf-8")
    with connect(load_fixture(path)) as plain:
        yield ProvedBus(plain.adapter)


def test_a_proof_lasts_for_a_quarter_of_an_hour(bus: ProvedBus) -> None:
    """Units within that time find the same proof; the next one after it a new one."""
    assert PROOF_LASTS_S == 15 * 60
    needed, proofs = [bus.needs_proof], [bus.prove()]
    for wait_s in (PROOF_LASTS_S - 1, 2, PROOF_LASTS_S - 1):
        bus.clock.sleep(wait_s)
        needed.append(bus.needs_proof)
        proofs.append(bus.prove())
    assert needed == [True, False, True, False]
    assert [proof is proofs[0] for proof in proofs] == [True, True, False, False]
    assert proofs[3] is proofs[2]


def test_no_proof_outlives_a_fault(bus: ProvedBus) -> None:
    """After a fault the adapter is proved again, however young its proof is."""
    first = bus.prove()
    bus.forget_proof()
    assert bus.needs_proof
    assert bus.prove() is not first
