"""Every shipped plan on every kind of adapter: what runs, and what must hold of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from harness.families.hazard import Hazard
from harness.plans.execution.adapter_reach import beyond_adapter
from harness.plans.execution.connection import connect
from harness.plans.execution.runner import Runner
from harness.plans.loading.files import check_together, load_plan
from harness.plans.schema.files import Fixture
from harness.records import Outcome
from harness.results.journal.writer import Journal, read_events
from harness.results.record.run import RunRecord
from harness.results.reports.rebuild import rebuild
from harness.wire.clock_grid import GRIDS
from tests.conftest import Operator

KINDS = (*GRIDS, "auto")
PLANS = Path("test_plans")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """On what a shipped plan runs here, and with which parameters.

    Attributes:
        fixture: shipped fixture whose devices and line it gets.
        devices: how many of its devices; None for all.
        set_: parameters of the plan.
        quick: parameters besides, where the whole would take too long.
    """

    fixture: str
    devices: int | None = None
    set_: dict[str, str] = field(default_factory=dict)
    quick: dict[str, str] = field(default_factory=dict)


SETTINGS = {
    "all_families": Setting(fixture="all_families"),
    "bus_acceptance": Setting(
        fixture="demo_bench", quick={"resets": "20", "scans": "2", "slots": "16"}
    ),
    "incoming_thermometers": Setting(fixture="demo_bench", quick={"count": "1"}),
    "lot_acceptance": Setting(fixture="station_left", devices=1),
    "overnight_soak": Setting(fixture="demo_bench", set_={"for_s": "7200"}),
    "serial_numbers": Setting(fixture="mixed_bench"),
    "slot_stress": Setting(fixture="demo_bench", quick={"slots": "16"}),
    "timing_survey": Setting(fixture="demo_bench"),
    "unit_thermometer": Setting(fixture="station_left", devices=1),
}
"""Each shipped plan. Of a station's fixture the first unit is in the socket."""


def bench_of(setting: Setting, kind: str, devices: int | None = None) -> dict[str, Any]:
    """Fixture data of a sound bench with an adapter of a kind."""
    text = Path(f"fixtures/{setting.fixture}.yaml").read_text(encoding="utf-8")
    data: dict[str, Any] = yaml.safe_load(text)
    data["adapter"]["kind"] = kind
    data["simulation"].pop("feed", None)
    count = devices if devices is not None else setting.devices
    if count is not None:
        data["simulation"]["devices"] = data["simulation"]["devices"][:count]
        data["sockets"] = data["sockets"][:count]
    if kind == "exact":
        # a port that makes any rate has no clock of its own to be off
        data["adapter"].pop("clock_tolerance_ppm", None)
        data["simulation"].setdefault("adapter", {})["error_ppm"] = 0
    return data


@dataclass(frozen=True, slots=True, kw_only=True)
class OnGrid:
    """A finished run of a shipped plan, and what it asks for beyond its adapter."""

    code: int
    record: RunRecord
    beyond: list[str]
    junit: str
    page: str


def run_on_grid(
    plan: str,
    kind: str,
    write_fixture: Callable[[dict[str, Any]], Fixture],
    folder: Path,
    *,
    devices: int | None = None,
    quick: bool = False,
) -> OnGrid:
    """Run a shipped plan on a sound bench with an adapter of a kind."""
    setting = SETTINGS[plan]
    parameters = setting.set_ | (setting.quick if quick else {})
    fixture = write_fixture(bench_of(setting, kind, devices))
    loaded = load_plan(PLANS / f"{plan}.yaml", parameters)
    assert check_together(loaded, fixture) == []
    allowed = frozenset(Hazard)
    with connect(fixture) as bus, Journal.create(folder, bus.clock) as journal:
        code = Runner(
            plan=loaded,
            fixture=fixture,
            bus=bus,
            journal=journal,
            operator=Operator(),
            allowed=allowed,
        ).run()
    rebuild(journal.path, folder, case_properties=False)
    return OnGrid(
        code=code,
        record=RunRecord.from_events(read_events(journal.path)),
        beyond=beyond_adapter(loaded, fixture),
        junit=(folder / "junit.xml").read_text(encoding="utf-8"),
        page=(folder / "report.html").read_text(encoding="utf-8"),
    )


def require_sound(ran: OnGrid) -> None:
    """No sound bench fails, and what was not made was reported beforehand and is shown."""
    for step, result in ran.record.results:
        shown = result.shown
        assert shown.outcome is not Outcome.FAILED, (step.title, shown.message)
        if shown.outcome in {Outcome.ERROR, Outcome.SKIPPED}:
            assert shown.message, step.title
            assert shown.message[:40].split("'")[0] in ran.junit
        for name in shown.evidence.get("not_measured", {}):
            assert any(f"{name} cannot be measured" in line for line in ran.beyond), (
                name
            )
        asked, made = shown.evidence.get("asked"), shown.evidence.get("made")
        if made != asked:
            said = f"{made} of {asked} "
            assert any(said in line for line in ran.beyond), (said, ran.beyond)
            assert said in shown.message
            assert said in ran.junit
            assert said in ran.page
    assert ran.code in {0, 3}
