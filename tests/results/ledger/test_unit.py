"""The unit of a run, and units that were not tested: read back as they were written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.results.ledger.entry import UNIT, UnitFacts, read_test
from harness.station.refusals import FILE_NAME, REFUSAL, Refusal, read_refusals
from tests.record_fields import fields_in, filled, without


def journal(folder: Path, **facts: Any) -> Path:  # noqa: ANN401 - any fact
    """A journal that begins with these facts."""
    at = {"at": "2026-01-01T00:00:00.000Z", "t_s": 0}
    path = folder / "journal.jsonl"
    start = {"event": "run_started", "format": 1, "run_id": "r", **at, **facts}
    path.write_text(json.dumps(start) + "\n", "utf-8")
    return path


def test_a_dropped_field_of_a_unit_is_empty(tmp_path: Path) -> None:
    """Each field once; a run outside a station has no unit at all."""
    unit = filled(UnitFacts)
    plain = UNIT.written(unit)
    assert read_test(journal(tmp_path, unit=plain)).unit == unit
    for field in fields_in(unit):
        changed = without(plain, field.path)
        found = read_test(journal(tmp_path, unit=changed)).unit
        assert found == field.default != unit
    assert read_test(journal(tmp_path)).unit == UnitFacts()


@pytest.mark.parametrize(
    ("unit", "said"), [("S1", "unit: "), ({"serial": ["S1"]}, "unit.serial: ")]
)
def test_a_unit_that_is_none_is_named(unit: object, said: str, tmp_path: Path) -> None:
    """Line and field, never a test of nobody."""
    with pytest.raises(UsageError, match="damaged") as caught:
        read_test(journal(tmp_path, unit=unit))
    assert said in caught.value.what
    assert caught.value.where.endswith("journal.jsonl:1")


def test_refusals_are_read_as_written(tmp_path: Path) -> None:
    """A line that was cut is passed over, and so is one that lacks a field."""
    refusal = filled(Refusal)
    plain = REFUSAL.written(refusal)
    lines = [json.dumps(plain), json.dumps(plain)[:9], "[]"]
    lines += [json.dumps(without(plain, f.path)) for f in fields_in(refusal)]
    (tmp_path / FILE_NAME).write_text("\n".join(lines), "utf-8")
    assert read_refusals(tmp_path) == [refusal]
