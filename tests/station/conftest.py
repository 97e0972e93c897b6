"""Rehearsed shifts: fixtures with a feed, run in this process."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml
from rich.console import Console

from harness.plans.loading.files import load_fixture, parse_plan
from harness.plans.schema.files import Fixture
from harness.results.ledger.entry import UnitTest
from harness.results.ledger.ledger import Ledger
from harness.station.setup import Orders, Ready, ready
from harness.station.shift.record import read_shift
from harness.station.shift.shift import ShiftEnd

PLAN = """\
plan: probe unit
stop_on_fail: true
unit:
  serial_pattern: "CS-[0-9]+"
  retests: 1
  bins: {passed: green tray, failed: red bin, error: hold shelf}
steps:
  - reset: {times: 3}
  - enumerate: {count: 1, families: 0x28}
  - read: {quantity: temperature, low: 20, high: 22, unit: degC}
"""


@dataclass(frozen=True, kw_only=True)
class Ended:
    """A shift that is over, and what is left of it."""

    end: ShiftEnd
    lines: list[str]
    tests: list[UnitTest]
    folder: Path

    def verdicts(self, place: str = "") -> list[str]:
        """First word and serial number of each verdict, in order."""
        rows = [line.split()[:3] for line in self.lines]
        return [
            f"{row[0]} {row[2]}"
            for row in rows
            if row[0] in {"PASS", "FAIL", "ERROR", "STOP"} and place in {"", row[1]}
        ]

    def line(self, *words: str) -> str:
        """The first line that holds all these words."""
        return next(line for line in self.lines if all(w in line for w in words))


@pytest.fixture
def place_fixture(tmp_path: Path) -> Callable[..., Fixture]:
    """Make the fixture of a place: its devices, and who goes in when."""

    def make(
        name: str,
        devices: list[dict[str, Any]],
        feed: list[dict[str, Any]],
        *,
        port: str = "sim://",
        instruments: list[dict[str, Any]] | None = None,
        **simulation: Any,  # noqa: ANN401 - any setting
    ) -> Fixture:
        data: dict[str, Any] = {
            "fixture": f"invented line, {name}",
            "adapter": {"port": port, "kind": "fractional-divider"},
            "line": {"pull_up_ohm": 2200, "supply_v": 5.0, "cable_m": 1},
            "sockets": [{"name": name, "expect": {"family": 0x28}}],
            "simulation": {
                "seed": 3,
                "calendar": "2026-03-01T06:00:00Z",
                "devices": devices,
                "feed": feed,
                **simulation,
            },
        }
        if instruments:
            data["adapter"] |= {"bears_v": 5.5}
            data["instruments"] = instruments
            data["simulation"]["instruments"] = [
                {"kind": each["kind"], "resource": each["resource"]}
                for each in instruments
            ]
        path = tmp_path / f"{name}.yaml"
        plain = json.loads(json.dumps(data))  # no value stands twice: no anchors
        path.write_text(yaml.safe_dump(plain), encoding="utf-8")
        return load_fixture(path)

    return make


@pytest.fixture
def probe() -> Callable[..., dict[str, Any]]:
    """A thermometer of the simulation section, at 21 degC unless told otherwise."""

    def make(serial: int, degc: float = 21.0, **more: Any) -> dict[str, Any]:  # noqa: ANN401
        return {"family": 0x28, "serial": serial, "temperature_degc": degc, **more}

    return make


@pytest.fixture
def orders(tmp_path: Path) -> Callable[..., Orders]:
    """Orders for a shift on these fixtures."""

    def make(*fixtures: Fixture, plan: str = PLAN, **more: Any) -> Orders:  # noqa: ANN401
        given: dict[str, Any] = {
            "folder": tmp_path / "results" / "shift",
            "ledger": str(tmp_path / "ledger.sqlite"),
            "serials": "scan",
            "station": "hall 2",
            "lot": "lot 7",
            "ledger_wait_s": 0.2,
            **more,
        }
        return Orders(plan=parse_plan(plan, "plan.yaml"), fixtures=fixtures, **given)

    return make


@pytest.fixture
def begun() -> Callable[..., Any]:
    """A shift that can begin, and the text that its board prints."""

    @contextmanager
    def make(
        ordered: Orders, patience_s: float = 20.0
    ) -> Iterator[tuple[Ready, io.StringIO]]:
        said = io.StringIO()
        console = Console(file=said, width=200, force_terminal=False)
        with ready(ordered, console, patience_s=patience_s) as made:
            yield made, said

    return make


@pytest.fixture
def run_shift(begun: Callable[..., Any]) -> Callable[..., Ended]:
    """Run a whole shift."""

    def run(ordered: Orders) -> Ended:
        with begun(ordered) as (made, said), made.board:
            end = made.shift.run()
        return Ended(
            end=end,
            lines=said.getvalue().splitlines(),
            tests=list(read_shift(ordered.folder).tests),
            folder=ordered.folder,
        )

    return run


@pytest.fixture
def in_ledger() -> Callable[[Orders], list[UnitTest]]:
    """What the ledger of a shift holds."""

    def read(ordered: Orders) -> list[UnitTest]:
        with Ledger(ordered.ledger, wait_s=10) as ledger:
            return list(ledger.tests(whole=True))

    return read


@dataclass(frozen=True, kw_only=True)
class Line:
    """Everything that a test of a rehearsed production line needs.

    Attributes:
        place: makes the fixture of a place.
        probe: makes a device of it.
        orders: makes the orders of a shift.
        begun: opens a shift that can begin.
        run: runs a whole shift.
        in_ledger: reads the ledger of a shift.
    """

    place: Callable[..., Fixture]
    probe: Callable[..., dict[str, Any]]
    orders: Callable[..., Orders]
    begun: Callable[..., Any]
    run: Callable[..., Ended]
    in_ledger: Callable[..., list[UnitTest]]


@pytest.fixture
def line(request: pytest.FixtureRequest) -> Line:
    """A production line to rehearse on."""
    get = request.getfixturevalue
    return Line(
        place=get("place_fixture"),
        probe=get("probe"),
        orders=get("orders"),
        begun=get("begun"),
        run=get("run_shift"),
        in_ledger=get("in_ledger"),
    )
