"""A station holds a device to the constants that the ledger keeps of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from harness.results.reports.rebuild import read_record
from harness.wire.romcode import RomCode

PLAN = """\
plan: golden unit
unit: {serial_pattern: "CS-[0-9]+", passed_again: test}
steps:
  - enumerate: {count: 1, families: 0x28}
  - read: {quantity: temperature, low: 20, high: 22, unit: degC}
"""

Line = Any
"""A production line to rehearse on; conftest has its class."""

CLONE = [{"kind": "wrong-reserved-bytes", "device": str(RomCode.build(0x28, 1))}]
"""Bytes 5 and 7 of the block are 00h and AAh, always."""


@pytest.mark.parametrize("faults", [CLONE, []], ids=["other constants", "the same"])
def test_a_device_of_an_earlier_shift(
    line: Line, tmp_path: Path, faults: list[dict[str, Any]]
) -> None:
    """Tested again on another station: what sits there now must be the same device."""
    feed = [{"serial": "CS-1", "devices": [1]}]
    first = line.run(line.orders(line.place("left", [line.probe(1)], feed), plan=PLAN))
    assert first.verdicts() == ["PASS CS-1"]
    again = line.run(
        line.orders(
            line.place("right", [line.probe(1)], feed, faults=faults),
            plan=PLAN,
            folder=tmp_path / "results" / "next",
        )
    )
    (journal,) = again.folder.glob("*/journal.jsonl")
    said = [result.shown.message for _, result in read_record(journal).results]
    told = [text for text in said if "not those of this device, FF 10" in text]
    assert again.verdicts() == ["FAIL CS-1" if faults else "PASS CS-1"]
    assert len(told) == len(faults)
