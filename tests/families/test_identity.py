"""Serial numbers, unknown families, and the table of families."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import DeviceAbsent
from harness.families.registry import (
    family_of,
    known_families,
    quantities,
    quantity_names,
    setting_names,
    unit_of,
)
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def test_serial_number(live: Make) -> None:
    """A serial number tells its ROM code, proved on the bus, and the 48 bits inside.

    Source: data sheet of a family-01h part (DS2401) p. 2.
    """
    session = live(0x01)
    assert quantities(0x01)["rom_code"].read(session).value == str(session.rom)
    assert quantities(0x01)["serial_number"].read(session).value == "0000000051AB"


def test_published_serial_number() -> None:
    """Serial number and family stand in the print of the ROM code, CRC first.

    Source: layout of part DS2401 p. 2, CRC by an independent program: 01 D1 C2 B3 A4 00 00 1E.
    """
    rom = RomCode(bytes.fromhex("01 D1 C2 B3 A4 00 00 1E"))
    assert rom.is_possible
    assert (str(rom), f"{rom.serial:012X}") == ("1E0000A4B3C2D101", "0000A4B3C2D1")


def test_rom_code_of_another_is_not_proved(live: Make) -> None:
    """No device answers a match; the directed search says that the device is absent."""
    session = live(0x01)
    stranger = DeviceSession(session._bus, RomCode.build(0x01, 0x51AC))
    with pytest.raises(DeviceAbsent, match="does not answer"):
        quantities(0x01)["rom_code"].read(stranger)


def test_unknown_family_has_its_identity() -> None:
    """A code that no module claims is enumerated and proved, and nothing more is made up."""
    assert 0x5A not in known_families()
    family = family_of(0x5A)
    assert (family.code, family.device_class) == (0x5A, "unknown")
    assert quantity_names(0x5A) == ("rom_code", "serial_number")
    assert setting_names(0x5A) == ()


def test_table_of_families() -> None:
    """Every code is claimed once, by a family of that code, with typical parts for people."""
    assert {0x01, 0x81, 0x10, 0x22, 0x28} <= set(known_families())
    for code in known_families():
        family = family_of(code)
        assert family.code == code
        assert family.name
        assert family.typical_parts
        assert set(family.quantities) == {q.name for q in family.quantities.values()}


@pytest.mark.parametrize(
    ("code", "quantity", "unit"),
    [
        (0x28, "temperature", "degC"),
        (0x10, "conversion_time", "ms"),
        (0x01, "rom_code", ""),
    ],
)
def test_units(code: int, quantity: str, unit: str) -> None:
    """Each quantity has the unit that reports print."""
    assert unit_of(code, quantity) == unit


def test_quantity_that_a_family_lacks() -> None:
    """A serial number has no temperature, and family 10h no resolution."""
    with pytest.raises(KeyError):
        unit_of(0x01, "temperature")
    assert "resolution" not in quantity_names(0x10)
    assert "resolution" in quantity_names(0x28)
