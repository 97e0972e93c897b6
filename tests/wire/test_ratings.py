"""What a kind bears and is made for, from the data sheets."""

from __future__ import annotations

import pytest

from harness.families import registry
from harness.wire.ratings import (
    NOT_KNOWN,
    RATINGS,
    bears_v,
    in_words,
    outside_range,
    range_not_known,
)


def test_thermometers_bear_six_volts() -> None:
    """Absolute maximum ratings of parts DS18B20, DS18S20, DS1822, DS1825 and DS28EA00."""
    for family in (0x28, 0x10, 0x22, 0x3B, 0x42):
        assert RATINGS[family].bears_v == 6.0


def test_published_ranges() -> None:
    """DS18B20 p. 19: 3.0 to 5.5 V, -55 to 125 degC; DS28EA00 to 85 degC; MAX31825 to 3.6 V."""
    assert RATINGS[0x28].supply_v == (3.0, 5.5)
    assert outside_range(0x28, supply_v=3.0, temperature_degc=125) == ""
    assert "-60 degC" in outside_range(0x28, temperature_degc=-60)
    assert "85 degC" in outside_range(0x42, temperature_degc=86)
    assert "3 to 3.6 V" in outside_range(0x3B, supply_v=5)


def test_parts_of_3_volts_do_not_bear_five() -> None:
    """A 5 V pull-up destroys the 3.3 V parts; a kind without a row gets what is built."""
    assert bears_v(0x17, built_for_v=5.0) == 4.0
    assert bears_v(0x20, built_for_v=5.25) == 5.25


def test_each_shipped_kind_has_a_row_or_is_said_to_have_none() -> None:
    """Nothing is judged silently outside of a range that nobody looked up."""
    shipped = set(registry.built_in().known_families())
    assert shipped == set(RATINGS) | NOT_KNOWN
    assert not set(RATINGS) & NOT_KNOWN
    assert all(row.source for row in RATINGS.values())


@pytest.mark.parametrize("family", [0x20, 0x2C, 0xAA])
def test_what_is_not_known_is_said(family: int) -> None:
    """In words, for what is asked about only."""
    said = range_not_known(family, temperature_degc=90.0)
    assert "operating temperature range" in said
    assert "judged at 90 degC all the same" in said
    assert range_not_known(family) == outside_range(family) == ""


def test_in_words() -> None:
    """For `slotproof families`."""
    assert in_words(0x28).startswith(
        "3 to 5.5 V, -55 to 125 degC, absolute maximum 6 V"
    )
    assert in_words(0x20) == "not known here"
