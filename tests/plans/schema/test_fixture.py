"""What a fixture holds once it is loaded."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from harness.plans.loading.files import parse_fixture
from harness.plans.schema.files import Fixture

SMALL = """\
fixture: small
adapter: {port: COM7}
line: {pull_up_ohm: 2200, supply_v: 5}
sockets:
  - {name: A1, expect: {rom_code: 3d0000a4b3c2d128}}
  - {name: A2, expect: {family: 0x10}}
  - {name: A3}
"""


def test_defaults_are_those_of_the_reference() -> None:
    """What is left out has its documented value."""
    fixture = parse_fixture(SMALL, "f")
    assert fixture.title == "small"
    assert fixture.adapter.kind == "auto"
    assert fixture.adapter.max_burst == 4000
    assert fixture.adapter.clock_tolerance_ppm is None
    assert (fixture.line.cable_m, fixture.line.cable_pf_per_m) == (0.0, 50.0)
    assert fixture.power is None
    assert fixture.simulation is None


def test_a_rom_code_leads_to_its_socket() -> None:
    """ROM codes are kept in capitals and found in either case."""
    fixture = parse_fixture(SMALL, "f")
    assert fixture.sockets[0].expect.rom_code == "3D0000A4B3C2D128"
    assert fixture.socket_of("3D0000A4B3C2D128") == "A1"
    assert fixture.socket_of("3d0000a4b3c2d128") == "A1"
    assert fixture.socket_of("620000A4B3C2E728") == ""


def test_the_family_of_a_socket_is_stated_or_in_its_rom_code() -> None:
    """A ROM code tells the family; without either it is open."""
    fixture = parse_fixture(SMALL, "f")
    assert [s.expect.family_code for s in fixture.sockets] == [0x28, 0x10, None]


def test_a_fixture_cannot_be_changed() -> None:
    """Nobody moves a limit or a port in the middle of a run."""
    fixture = parse_fixture(SMALL, "f")
    with pytest.raises(ValidationError, match="frozen"):
        fixture.title = "other"


def test_a_fixture_survives_plain_data() -> None:
    """Dumped for a record and read back it is the same bench."""
    fixture = parse_fixture(SMALL, "f")
    again = Fixture.model_validate(fixture.model_dump(by_alias=True))
    assert again.model_dump() == fixture.model_dump()
