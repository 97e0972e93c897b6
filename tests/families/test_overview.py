"""The kinds in words."""

from __future__ import annotations

import pytest

from harness.errors import UsageError
from harness.families import overview
from harness.families.family import DEVICE_CLASSES, Hazard
from harness.families.registry import family_of, known_families


def test_every_class_is_one_of_the_list() -> None:
    """No family invents a class."""
    for code in known_families():
        assert family_of(code).device_class in DEVICE_CLASSES, f"{code:02X}h"


def test_every_code_of_the_reference_table_is_known() -> None:
    """Codes that the makers' data sheets and product tables list (collected from memory)."""
    without = "02 16 17 18 1A 1B 1C 1E 1F 31 32 34 35 37 3D 44 47 48 70"
    mine = "01 81 28 22 10 2D 43 23 14 08 06 0A 0C 04 09 0B 0F 89 8B 8F"
    for code in bytes.fromhex(f"{without} {mine}"):
        assert code in known_families(), f"{code:02X}h"


@pytest.mark.parametrize("text", ["2D", "2dh", "0x2D", "2d"])
def test_codes_as_people_write_them(text: str) -> None:
    """Always hex."""
    assert overview.parse_code(text) == 0x2D


@pytest.mark.parametrize("text", ["", "2DD", "xx", "-1", "0x"])
def test_what_is_no_code(text: str) -> None:
    """Told with an example."""
    with pytest.raises(UsageError, match="no family code"):
        overview.parse_code(text)


def test_details_name_everything_a_plan_may_write() -> None:
    """Quantities, checks, options and cautions of a kind."""
    text = "\n".join(overview.details_of(family_of(0x2D)))
    family = family_of(0x2D)
    for name in (*family.quantities, *family.checks, "rom_code", "typical parts"):
        assert name in text
    assert Hazard.LOCK.caution in text
    assert "number: which page (a whole number from 0; needed)" in text


def test_settings_are_named_too() -> None:
    """A kind with settings shows how a plan writes them."""
    text = "\n".join(overview.details_of(family_of(0x28)))
    assert "resolution_bits [bit]: 9, 10, 11 or 12" in text


def test_unknown_code_has_its_rom_code() -> None:
    """Nothing is made up about it."""
    lines = list(overview.details_of(family_of(0x5A)))
    assert lines[0] == "5Ah: unknown family"
    assert "    no driver: the ROM code is proved and reported" in lines


def test_a_class_by_itself() -> None:
    """Only its kinds, and an unknown class is told."""
    rows = overview.families_of("memory")
    assert {row.device_class for row in rows} == {"memory"}
    assert len(rows) < len(overview.families_of())
    with pytest.raises(UsageError, match="no class"):
        overview.families_of("memories")


def test_listing_ends_with_the_cautions() -> None:
    """One line a kind, what is destructive below it, cautions for every bench."""
    lines = list(overview.lines_of(overview.families_of("memory")))
    assert any("destructive: protection bytes lock for ever" in line for line in lines)
    assert "qualified staff" in lines[-1]
