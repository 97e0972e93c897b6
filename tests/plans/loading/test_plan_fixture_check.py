"""A plan that the fixture cannot serve is told before the run, at the step."""

from __future__ import annotations

import pytest

from harness.plans.loading.files import check_together, parse_fixture, parse_plan

BARE = """\
fixture: bare
adapter: {port: /dev/ttyUSB0}
line: {pull_up_ohm: 2200, supply_v: 5.0}
sockets: [{name: A1}, {name: A2}]
"""

STATED = """\
fixture: stated
adapter: {port: /dev/ttyUSB0}
line: {pull_up_ohm: 2200, supply_v: 5.0}
power: {supply_on: rts}
sockets:
  - {name: A1, expect: {family: 0x01}}
  - {name: A2, expect: {rom_code: 3D0000A4B3C2D128}}
"""


def _told(step: str, fixture: str) -> list[str]:
    plan = parse_plan(f"plan: p\nsteps:\n{step}\n", "p")
    return [str(p) for p in check_together(plan, parse_fixture(fixture, "f"))]


@pytest.mark.parametrize(
    ("step", "problem"),
    [
        (
            "- verify: {sockets: [A1, B2]}",
            "p:3:3: the fixture has no socket 'B2'; expected one of A1, A2",
        ),
        (
            "- verify: {sockets: [A1]}",
            "p:3:3: verify of socket 'A1', whose ROM code is not known; expected "
            "rom_code under expect in the fixture",
        ),
        (
            "- repeat:\n    times: 2\n    steps:\n"
            "    - for_each: {sockets: [A3], steps: [reset: ]}",
            "p:6:7: the fixture has no socket 'A3'; expected one of A1, A2",
        ),
        (
            "- for_each: {family: 0x10, steps: [reset: ]}",
            "p:3:3: no socket of the fixture expects family 0x10; expected one of "
            "0x01, 0x28",
        ),
        (
            "- for_each: {sockets: [A1], steps: [read: {quantity: temperature}]}",
            "p:3:3: line 3: socket A1 expects family 0x01, which has no "
            "'temperature'; expected one of rom_code, serial_number",
        ),
        (
            "- switch: {strong_pull_up: on}",
            "p:3:3: the fixture cannot switch a strong pull-up; expected "
            "power.strong_pull_up_on in the fixture",
        ),
    ],
)
def test_what_the_fixture_lacks_is_told_at_the_step(step: str, problem: str) -> None:
    """Sockets, families, quantities and switches must be there."""
    assert problem in _told(step, STATED)


@pytest.mark.parametrize(
    ("step", "problem"),
    [
        (
            "- switch: {supply: off}",
            "p:3:3: the fixture cannot switch the supply; expected power.supply_on in "
            "the fixture",
        ),
        (
            "- enumerate: {match_sockets: true}",
            "p:3:3: match_sockets, and no socket of the fixture says what to expect; "
            "expected family or rom_code under expect in the fixture",
        ),
    ],
)
def test_a_bare_fixture_lacks_power_and_expectations(step: str, problem: str) -> None:
    """Without a power section or expectations some steps cannot be."""
    assert _told(step, BARE) == [problem]


@pytest.mark.parametrize(
    "step",
    [
        "- verify:",
        "- verify: {sockets: [A2]}",
        "- for_each: {sockets: [A2], steps: [read: {quantity: temperature}]}",
        "- for_each: {family: 0x28, steps: [read: {quantity: temperature}]}",
        "- switch: {supply: on}",
        "- enumerate: {match_sockets: true}",
    ],
)
def test_what_fits_is_not_complained_of(step: str) -> None:
    """A plan that the fixture can serve has no problem."""
    assert _told(step, STATED) == []


def test_an_open_socket_may_hold_any_family() -> None:
    """With a socket whose family is not stated, no family is missed."""
    step = "- for_each: {family: 0x28, steps: [read: {quantity: temperature}]}"
    assert _told(step, BARE) == []
