"""Presence lows of one device, of several together, and of nobody knows how many."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.recordings.lines import finding_lines
from harness.recordings.record.quantity import LimitStanding
from harness.wire.romcode import RomCode
from tests.recordings.traces import LineMaker, quantity, traced, write_vcd

FIRST = RomCode.build(0x28, 0x0000A4B3C2D1).wire
SECOND = RomCode.build(0x28, 0x0000A4B3C2D2).wire

ALONE, JOINT = "presence low", "joint presence low"
WITHIN, OUTSIDE, OPEN = (
    LimitStanding.WITHIN,
    LimitStanding.OUTSIDE,
    LimitStanding.CANNOT_TELL,
)


def _one(line: LineMaker) -> None:
    line.search(FIRST)


def _two(line: LineMaker) -> None:
    line.send(0x55, *FIRST)
    line.low(500, 30)
    line.low(120, 480)
    line.send(0x55, *SECOND)


def _branch(line: LineMaker) -> None:
    """A search in which both answers of its first bit are 0."""
    line.send(0xF0)
    for place in range(64):
        bit = FIRST[place // 8] >> place % 8 & 1
        answers = (bit, 1 - bit) if place else (0, 0)
        line.bits((*answers, bit), held_us=30)


def _skip(line: LineMaker) -> None:
    line.send(0xCC, 0x44)


def _match(line: LineMaker) -> None:
    """Which says nothing of how many others there are."""
    line.send(0x55, *FIRST)


@pytest.mark.parametrize(
    ("devices", "low_us", "name", "standing"),
    [
        (_one, 239, ALONE, WITHIN),
        (_one, 258, ALONE, OUTSIDE),
        (_two, 258, JOINT, WITHIN),
        (_branch, 258, JOINT, WITHIN),
        (_two, 290, JOINT, OUTSIDE),
        (_two, 50, JOINT, OUTSIDE),
        (_skip, 239, ALONE, WITHIN),
        (_skip, 258, ALONE, OPEN),
        (_match, 284, ALONE, OPEN),
        (_skip, 290, JOINT, OUTSIDE),
        (_skip, 50, JOINT, OUTSIDE),
    ],
)
def test_presence_low_of_one_or_several_devices(
    tmp_path: Path,
    devices: Callable[[LineMaker], None],
    low_us: float,
    name: str,
    standing: LimitStanding,
) -> None:
    """One may hold it for 240 us; several from 15 us to 60 + 240 us, so for 285 us.

    Source: data sheet of a family-28h thermometer (wait 15 to 60 us, low 60 to 240 us).
    """
    line = LineMaker()
    line.low(500, 20)
    line.low(low_us, 480)
    devices(line)
    path = write_vcd(tmp_path / "line.vcd", line.lows, end_us=line.now + 500)
    trace = traced(path)
    judged = quantity(trace, name)
    assert judged.standing == standing
    assert judged.row.loosest_high == (285 if name == JOINT else 240)
    names = [found.row.name for found in trace.quantities]
    assert len({ALONE, JOINT} & set(names)) == 1
    said = [text for text in finding_lines(trace) if "presence low" in text]
    assert bool(said) == (standing != WITHIN)
    assert any("does not show" in text for text in said) == (standing == OPEN)
    assert not any("sample faster" in text for text in said)
