"""What a kind bears on its pins, from the data sheets."""

from __future__ import annotations

import pytest

from harness.wire.absolute_maximum import ABSOLUTE_MAXIMUM_V, bears_v


def test_thermometers_bear_six_volts() -> None:
    """Absolute maximum ratings of parts DS18B20, DS18S20, DS1822, DS1825 and DS28EA00."""
    assert dict.fromkeys((0x28, 0x10, 0x22, 0x3B, 0x42), 6.0) == ABSOLUTE_MAXIMUM_V


@pytest.mark.parametrize(("family", "volts"), [(0x28, 6.0), (0x2D, 5.25), (0x29, 5.25)])
def test_a_kind_without_a_row_bears_what_its_bus_is_built_for(
    family: int, volts: float
) -> None:
    """Nothing more is assumed of it."""
    assert bears_v(family, built_for_v=5.25) == volts
