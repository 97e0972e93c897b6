"""Whatever the adapter: no sound bench fails, and what cannot be made is said before."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.records import Outcome
from harness.wire.rates import CUSTOMARY_BAUD
from tests.plans.grids import KINDS, PLANS, SETTINGS, require_sound, run_on_grid

pytestmark = pytest.mark.slow

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

COARSE = ("rate-table", "unknown", "exact")
"""Kinds that make few rates, or whose clock promises what nobody can measure."""

MEASURING = (
    "bus_acceptance",
    "incoming_thermometers",
    "slot_stress",
    "timing_survey",
    "lot_acceptance",
)


def test_every_shipped_plan_is_in_the_matrix() -> None:
    """A new plan comes with the bench that it runs on.

    The plan of corners has faults on purpose, and its own test (``test_vary``).
    """
    assert {path.stem for path in PLANS.glob("*.yaml")} == {*SETTINGS, "corners"}


@pytest.mark.parametrize(
    ("plan", "kind"),
    [*product(MEASURING, COARSE), ("slot_stress", "auto")],
)
def test_a_coarse_adapter_fails_no_sound_bench(
    write_fixture: Make, tmp_path: Path, plan: str, kind: str
) -> None:
    """The plans that measure, with one device; the whole matrix is a benchmark."""
    ran = run_on_grid(
        plan, kind, write_fixture, tmp_path / "run", devices=1, quick=True
    )
    require_sound(ran)


DIAGNOSE = """\
- diagnose: {listen_s: 1, resets: 5, slots: 400, scans: 1, verifies: 2, reads: 2, rounds: 1, alone: 1}
- measure: {what: all}
- stress: {slot: write-0, low_us: {from: 20, to: 120, step: 5}, slots: 8}
- shmoo: {slot: read, low_us: [5, 8], slots: 8, against: {axis: baud, values: [75000, 115200]}}
"""


def test_of_an_unknown_adapter_only_customary_rates_are_asked(
    run_plan: Make, bench_data: Make, new_device: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it makes of any other is not known, so nothing may be concluded from it."""
    asked: set[int] = set()
    exchange = Adapter.exchange

    def listening(self: Adapter, frames: bytes, baud: int, *rest: int) -> bytes:
        asked.add(baud)
        return exchange(self, frames, baud, *rest)

    monkeypatch.setattr(Adapter, "exchange", listening)
    ran = run_plan(DIAGNOSE, bench_data([new_device(0x28, 5)], kind="unknown"))
    assert ran.code == 0
    assert asked <= set(CUSTOMARY_BAUD)
    assert len(asked) > 5


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("plan", sorted(SETTINGS))
def test_every_plan_on_every_kind_of_adapter(
    write_fixture: Make, tmp_path: Path, plan: str, kind: str
) -> None:
    """The shipped plans as they are, with all devices; one line of a table each."""
    ran = run_on_grid(plan, kind, write_fixture, tmp_path / "run")
    counts = [f"{ran.record.count(outcome)} {outcome}" for outcome in Outcome]
    line = f"{plan:22} {kind:24} exit {ran.code}  {', '.join(counts)}"
    print(f"\n{line}")  # noqa: T201
    require_sound(ran)
