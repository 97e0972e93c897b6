"""Values after power-up: rows of registers, rows of restarts and models say the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.common.register_map import Field
from harness.families.converters import channels, potentiometer, quad_converter
from harness.families.registry import family_of

Make = Callable[..., Any]

PAGES = {0x08: "control page", 0x10: "alarm page", 0x18: "supply byte"}
"""Blocks of 20h and the restart sign that shows each."""

QUAD_ROWS = [row for row in quad_converter.REGISTERS.fields if row.reset is not None]
POT_ROWS = [row for row in potentiometer.REGISTERS.fields if row.reset is not None]


def after(code: int, name: str) -> Any:  # noqa: ANN401 - a scalar
    """What a restart sign reads after a restart."""
    return next(s.after for s in family_of(code).restarts if s.shown_by == name)


@pytest.mark.parametrize("row", QUAD_ROWS, ids=lambda row: row.name)
def test_converter(live: Make, row: Field) -> None:
    """The page that a restart leaves decodes to the row's reset value, on the model too."""
    page = bytes.fromhex(after(0x20, PAGES[row.block]))
    start = 0x1C - 0x18 if row.block == 0x18 else 0
    assert row.decode(bytes(start) + page) == row.reset
    assert row.decode(channels.read_page(live(0x20), row.block)) == row.reset


@pytest.mark.parametrize("row", POT_ROWS, ids=lambda row: row.name)
def test_potentiometer(live: Make, row: Field) -> None:
    """Restart sign and model show the row's reset value."""
    assert after(0x2C, row.name) == row.reset
    assert row.decode(bytes(potentiometer.read(live(0x2C)))) == row.reset
