"""Whatever the adapter: no sound bench fails, and what cannot be made is said before."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from harness.records import Outcome
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
    """A new plan comes with the bench that it runs on."""
    assert {path.stem for path in PLANS.glob("*.yaml")} == set(SETTINGS)


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
