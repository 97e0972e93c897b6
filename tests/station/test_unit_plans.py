"""A rehearsed shift that programs its units: each with its own record, none doubled."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.loading.files import load_fixture, parse_plan
from harness.plans.records.values import read_units

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
