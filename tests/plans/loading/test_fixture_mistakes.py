"""A fixture with a mistake is refused at its place, in its own words."""

from __future__ import annotations

import pytest

from harness.plans.loading.files import PlanError, parse_fixture
from tests.plans.loading.choices import choices, shortened

FIXTURE = """\
fixture: f
adapter: {port: sim://}
line: {pull_up_ohm: 2200, supply_v: 5.0}
power: {supply_on: rts}
sockets:
  - {name: A1, expect: {family: 0x28}}
  - {name: A2}
simulation:
  devices:
    - {family: 0x28, socket: A1}
  faults:
    - {kind: noise-burst, at_s: 1, for_s: 1}
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "port:",
            "prt: x, port:",
            "f:2:11: unknown key 'prt'; expected one of ...; did you mean 'port'?",
        ),
        (
            "adapter: {port: sim://}\n",
            "",
            "f:1:1: the file lacks the key 'adapter'; expected the USB-to-serial adapter",
        ),
        ("2200", "-1", "f:3:21: pull_up_ohm is -1; expected at least 10"),
        (
            "supply_on: rts",
            "supply_on: rtss",
            "f:4:20: supply_on is 'rtss'; expected one of rts, dtr, rts-without-dtr, "
            "dtr-without-rts; did you mean 'rts'?",
        ),
        (
            "supply_on: rts",
            "strong_pull_up_ohm: 150, supply_on: rts",
            "f:4:29: strong_pull_up_ohm without a switch for it; expected "
            "strong_pull_up_on beside it",
        ),
        (
            "supply_on: rts",
            "supply_on: rts-without-dtr, strong_pull_up_on: rts-without-dtr",
            "f:4:56: supply and strong pull-up share one condition; expected a state "
            "with the supply on and the strong pull-up off, such as supply_on: rts",
        ),
        (
            "{supply_on: rts}",
            "{}",
            "f:4:8: power switches nothing; expected supply_on or strong_pull_up_on",
        ),
        (
            "name: A2",
            "name: A1",
            "f:7:12: two sockets are named 'A1'; expected each name once",
        ),
        (
            "name: A2",
            "name: A 2",
            "f:7:12: 'A 2' cannot be a name; expected 1 to 32 letters, digits, dots, "
            "- and _",
        ),
        (
            "{family: 0x28}}\n  - {name: A2",
            "{rom_code: 3D0000A4B3C2D128}}\n"
            "  - {name: A2, expect: {rom_code: 3d0000a4b3c2d128}",
            "f:7:35: two sockets expect ROM code 3D0000A4B3C2D128; expected each ROM "
            "code once",
        ),
        (
            "family: 0x28}}",
            "family: 0x28, rom_code: 3E0000A4B3C2D128}}",
            "f:6:49: ROM code 3E0000A4B3C2D128 has a wrong CRC 3Eh; expected CRC 3Dh; "
            "did you mean '3D0000A4B3C2D128'?",
        ),
        (
            "family: 0x28}}",
            "rom_code: 0000000000000000}}",
            "f:6:35: no device has this ROM code: family 00h is not used; expected "
            "the code printed on or read from the device",
        ),
        (
            "family: 0x28}}",
            "rom_code: 3D0000A4B3C2D1}}",
            "f:6:35: '3D0000A4B3C2D1' is no ROM code; expected 16 hex digits: CRC, "
            "serial number, family code",
        ),
        (
            "family: 0x28}}",
            "family: 0x10, rom_code: 3D0000A4B3C2D128}}",
            "f:6:49: ROM code 3D0000A4B3C2D128 belongs to family 0x28; expected a code "
            "of family 0x10",
        ),
        (
            "socket: A1",
            "socket: B1",
            "f:10:30: the fixture has no socket 'B1'; expected one of A1, A2",
        ),
        (
            "kind: noise-burst, ",
            "",
            "f:12:7: entry 1 of faults lacks the key 'kind'",
        ),
    ],
)
def test_each_mistake_of_a_fixture_has_its_own_words(
    old: str, new: str, message: str
) -> None:
    """A fixture with one mistake is refused with one message at its place."""
    assert FIXTURE.count(old) == 1
    with pytest.raises(PlanError) as caught:
        parse_fixture(FIXTURE.replace(old, new), "f")
    told = str(caught.value)
    assert (shortened(told) if "..." in message else told) == message


@pytest.mark.parametrize(
    ("old", "new", "line", "near"),
    [
        ("socket: A1", "sockt: A1", 10, "socket"),
        ("noise-burst", "noise-brst", 12, "noise-burst"),
        ("at_s: 1", "at: 1", 12, "at_s"),
        ("devices:", "device:", 9, "devices"),
    ],
)
def test_mistakes_of_the_simulated_truth_name_the_nearest_word(
    old: str, new: str, line: int, near: str
) -> None:
    """The simulation section is judged like the rest, one message a mistake."""
    with pytest.raises(PlanError) as caught:
        parse_fixture(FIXTURE.replace(old, new), "f")
    (problem,) = caught.value.problems
    assert (problem.line, problem.nearest) == (line, near)


LOT = """\
  lot:
    units: 5
    labels_from: CS-01
    serials_from: 0x10
    typical: {family: 0x28, temperature_degc: 21}
    spread: {temperature_degc: 0.1}
    odd:
      - {unit: 2, differs: {silicon: clone}}
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "spread: {temperature_degc",
            "spread: {temprature_degc",
            "f:18:31: 'temprature_degc' cannot spread: typical gives no number for it; "
            "expected one of ...; did you mean 'temperature_degc'?",
        ),
        (
            "unit: 2",
            "unit: 9",
            "f:20:16: unit 9 is not in the lot; expected each once, from 1 to 5",
        ),
        (
            "silicon: clone",
            "silcon: clone",
            "f:20:37: unknown key 'silcon', the nearest known one is 'silicon'",
        ),
        (
            "units: 5",
            "units: many",
            "f:14:12: units is 'many'; expected a whole number",
        ),
        (
            "labels_from: CS-01",
            "labels_frm: CS-01",
            "f:15:5: unknown key 'labels_frm' of 'lot' in line 13; expected one of ...; "
            "did you mean 'labels_from'?",
        ),
    ],
)
def test_mistakes_of_a_lot_are_told_at_their_line(
    old: str, new: str, message: str
) -> None:
    """Though it expands into many devices, a mistake has the place at which it was made."""
    assert LOT.count(old) == 1
    with pytest.raises(PlanError) as caught:
        parse_fixture(FIXTURE + LOT.replace(old, new), "f")
    told = str(caught.value)
    assert message in (shortened(told) if "..." in message else told)


def test_each_value_that_is_offered_can_spread() -> None:
    """What a message offers in place of a misspelt one is never refused as that was."""
    told = _of_spread("nothing")
    offered = choices(told)
    assert "cannot spread" in told
    assert "temperature_degc" in offered
    assert not any("cannot spread" in _of_spread(name) for name in offered)


def _of_spread(name: str) -> str:
    """What is said of a lot that spreads a value and has another mistake."""
    lot = LOT.replace("temperature_degc: 0.1", f"{name}: 0.1").replace(
        "unit: 2", "unit: 9"
    )
    with pytest.raises(PlanError) as caught:
        parse_fixture(FIXTURE + lot, "f")
    return str(caught.value)


def test_a_simulated_port_needs_a_simulation() -> None:
    """The port sim:// without the truth about the bench is a mistake at the port."""
    text = FIXTURE[: FIXTURE.index("simulation:")]
    with pytest.raises(PlanError) as caught:
        parse_fixture(text, "f")
    assert str(caught.value) == (
        "f:2:17: port sim:// is simulated, and the fixture has no simulation; "
        "expected a simulation section with the devices"
    )
