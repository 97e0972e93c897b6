"""A rehearsed shift that programs its units: each with its own record, none doubled."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.loading.files import load_fixture, parse_plan
from harness.plans.loading.problems import PlanError
from harness.plans.records.values import read_units
from harness.records import Outcome
from harness.results.ledger.ledger import Ledger
from harness.station.numbers import UnitNumbers
from harness.station.unit_plans import UnitPlans

Line = Any
"""A production line to rehearse on; conftest has its class."""

PLAN = """\
plan: programmed unit
unit:
  serial_pattern: "CS-[0-9]{3}"
  columns: {trim: 0.0}
  numbers: {name: boards, first: 500, last: 599, block: 4}
record:
  label:
    length: 16
    fields:
      - {name: serial, text: $unit.serial, length: 6}
      - {name: number, integer: $unit.count, length: 4}
      - {name: trim, scaled: $unit.trim, scale: 0.5, signed: true, length: 1}
      - {name: made, date: $today, length: 3}
      - {name: check, crc: crc-16}
steps:
  - enumerate: {count: 1, families: 0x2D}
  - for_each:
      family: 0x2D
      steps:
        - check: {function: memory_write, with: {record: label}, hazard: memory-wear}
        - read: {quantity: rom_code}
"""
UNITS = 6


@pytest.fixture
def programmed(line: Line, tmp_path: Path) -> Any:  # noqa: ANN401
    """Six memories through two positions."""
    path = tmp_path / "units.csv"
    rows = [f"CS-{n:03d},{n / 2}" for n in range(1, UNITS + 1)]
    path.write_text("\n".join(["serial,trim", *rows]) + "\n", "utf-8")

    def place(name: str, units: range) -> Any:  # noqa: ANN401
        return line.place(
            name,
            [{"family": 0x2D, "serial": n} for n in units],
            [{"serial": f"CS-{n:03d}", "devices": [d]} for d, n in enumerate(units, 1)],
        )

    fixtures = []
    for name, units in (("left", range(1, 4)), ("right", range(4, UNITS + 1))):
        made = place(name, units)
        text = (
            Path(made.source.path)
            .read_text("utf-8")
            .replace("family: 40", "family: 45", 1)
        )
        Path(made.source.path).write_text(text, "utf-8")
        fixtures.append(load_fixture(made.source.path))
    orders = line.orders(
        *fixtures,
        plan=PLAN,
        units=read_units(path, parse_plan(PLAN, "p")),
        allowed=frozenset({Hazard.MEMORY_WEAR}),
    )
    return line.run(orders)


def test_each_unit_carries_its_own_record(programmed: Any) -> None:  # noqa: ANN401
    """Serial, number, column and date read back; no number twice."""
    tests = {test.unit.serial: test for test in programmed.tests}
    assert [str(t.outcome) for t in tests.values()] == ["passed"] * UNITS
    numbers = []
    for serial, test in tests.items():
        values = {r.name: r.text or r.value for r in test.readings}
        assert values["record_serial"] == serial
        assert float(values["record_trim"]) == int(serial[-3:]) / 2
        assert str(values["record_made"]).startswith("2026-03-01")
        numbers.append(int(float(values["record_number"])))
    assert len(set(numbers)) == UNITS
    assert all(500 <= n <= 599 for n in numbers)


def test_a_refused_unit_gives_its_number_back_by_rule(tmp_path: Path) -> None:
    """Its values do not fit, nothing was sent: the next unit has the number."""
    text = PLAN.replace("block: 4", "block: 4, failed: give-back")
    plan = parse_plan(text, "p")
    path = tmp_path / "units.csv"
    path.write_text("serial,trim\nCS-001,900\nCS-002,1\nCS-003,1\n", "utf-8")
    units = read_units(path, plan)
    assert plan.unit.numbers is not None
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        numbers = UnitNumbers(
            plan.unit.numbers, tmp_path, ledger, station="s", rehearsal=False
        )
        plans = UnitPlans(plan=plan, units=units, numbers=numbers)
        with pytest.raises(PlanError, match="does not fit"):
            plans.of("CS-001", date(2026, 1, 1))
        assert _count(plans.of("CS-002", date(2026, 1, 1))) == 500
        plans.goes_out("CS-002", over=False)
        plans.refused("CS-002")  # a bit was sent: it stays
        plans.done("CS-002", Outcome.FAILED)
        assert _count(plans.of("CS-003", date(2026, 1, 1))) == 501


def _count(plan: Any) -> Any:  # noqa: ANN401 - a plan of a unit
    return plan.unit_values["count"]


LOCKED = """\
plan: locked unit
unit: {serial_pattern: "CS-[0-9]{3}", retests: 0}
steps:
  - enumerate: {count: 1, families: 0x14}
  - check:
      function: register_lock
      with: {data: "01:02:03:04:05:06:07:08"}
      hazard: lock
      only_if_passed: true
  - read: {quantity: register_locked}
"""


def test_a_unit_with_a_copied_rom_code_is_not_locked(line: Line) -> None:
    """The station asks whose the ROM codes are before, not only after."""
    devices = [
        {"family": 0x14, "serial": 7},
        {"family": 0x14, "serial": 7},
        {"family": 0x14, "serial": 9},
    ]
    feed = [{"serial": f"CS-00{n}", "devices": [n]} for n in (1, 2, 3)]
    made = line.place("left", devices, feed)
    path = Path(made.source.path)
    path.write_text(path.read_text("utf-8").replace("family: 40", "family: 20", 1))
    ended = line.run(
        line.orders(
            load_fixture(path),
            plan=LOCKED,
            allowed=frozenset({Hazard.LOCK}),
        )
    )
    locked = {
        test.unit.serial: (str(test.outcome), r.text)
        for test in ended.tests
        for r in test.readings
        if r.name == "register_locked" and r.step.startswith("3 ")
    }
    assert locked["CS-001"] == ("passed", "yes")
    assert locked["CS-002"] == ("failed", "no")
    assert locked["CS-003"] == ("passed", "yes")
