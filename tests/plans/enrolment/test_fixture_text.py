"""A fixture that is there keeps everything but the ROM codes put in; a new one loads."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.plans.enrolment.fixture_text import (
    MeasuredCable,
    NewFixture,
    new_text,
    put_in,
)
from harness.plans.enrolment.sockets import EnrolledSocket
from harness.plans.loading.files import parse_fixture
from harness.wire.romcode import RomCode

ROOT = Path(__file__).parents[3]
ROM, OTHER = RomCode.build(0x28, 0xA4B3C2D1), RomCode.build(0x10, 77)

TEXT = """\
# the bench in the cellar
fixture: cellar   # its name
adapter: {port: COM7, kind: auto}
line:
  pull_up_ohm: 2200   # fitted
  supply_v: 5.0
sockets:              # from left to right
- name: B7            # the first
  expect: {family: 0x28}
- name: B8
# nothing below
"""


def test_comments_and_order_stay() -> None:
    """Only lines of the sockets that got a code differ, and further sockets are added."""
    sockets = [
        EnrolledSocket(name="B7", rom=ROM),
        EnrolledSocket(name="B8", rom=OTHER),
        EnrolledSocket(name="A1", rom=RomCode.build(0x22, 5)),
    ]
    text = put_in(TEXT, sockets, "cellar.yaml")
    kept = [line for line in TEXT.splitlines() if "family: 0x28" not in line]
    assert [line for line in text.splitlines() if line in kept] == kept
    fixture = parse_fixture(text, "cellar.yaml")
    assert [s.name for s in fixture.sockets] == ["B7", "B8", "A1"]
    assert fixture.expected_roms == (ROM, OTHER, RomCode.build(0x22, 5))
    assert put_in(text, [], "cellar.yaml") == text


@pytest.mark.parametrize("name", ["real_adapter", "demo_bench", "station_left"])
def test_shipped_fixtures_come_through(name: str) -> None:
    """With nobody to put in, a shipped fixture is the same byte for byte."""
    path = ROOT / "fixtures" / f"{name}.yaml"
    text = path.read_text("utf-8")
    assert put_in(text, [], str(path)) == text


def test_another_family_is_refused() -> None:
    """A socket that expects another family is not changed silently."""
    with pytest.raises(UsageError, match="expects family 28h"):
        put_in(TEXT, [EnrolledSocket(name="B7", rom=OTHER)], "cellar.yaml")


@pytest.mark.parametrize("port", ["/dev/ttyUSB0", r"hwgrep://\bSER=A1(?!\S)", "COM7"])
@pytest.mark.parametrize("cable", [None, MeasuredCable(nf=0.61, doubt_nf=0.1, cable_m=7.8)])  # fmt: skip
def test_a_new_fixture_loads(port: str, cable: MeasuredCable | None) -> None:
    """It says what was measured and what was not, and loads with every port name."""
    begin = NewFixture(
        title="new", port=port, kind="auto", pull_up_ohm=2200, supply_v=5, cable=cable
    )
    text = new_text(begin, [EnrolledSocket(name="A1", rom=ROM)])
    fixture = parse_fixture(text, "new.yaml")
    assert fixture.adapter.port == port
    assert fixture.expected_roms == (ROM,)
    assert fixture.line.cable_m == (7.8 if cable else 1)
    assert "NOT measured" in text
