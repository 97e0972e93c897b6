"""Which device sits in which socket, where the fixture names no ROM code."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.families.hazard import Hazard
from harness.plans.execution.seating import outlook, seat
from harness.plans.loading.files import parse_fixture
from harness.plans.schema.fixture import Fixture
from harness.records import Outcome
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes or runs something."""

SWITCH, OTHER_SWITCH = str(RomCode.build(0x3A, 5)), str(RomCode.build(0x3A, 6))
PROBE = str(RomCode.build(0x28, 7))

WIRED = "{name: A1, expect: {family: 0x3A}, loop_backs: {a: b}}"


def fixture(*sockets: str) -> Fixture:
    """A bench with these sockets."""
    listed = "\n".join(f"  - {socket}" for socket in sockets)
    return parse_fixture(
        "fixture: f\nadapter: {port: /dev/ttyUSB0}\n"
        f"line: {{pull_up_ohm: 2200, supply_v: 5.0}}\nsockets:\n{listed}\n",
        "f",
    )


@pytest.mark.parametrize(
    "sockets",
    [
        (WIRED,),
        (WIRED, "{name: B1, expect: {family: 0x28}}"),
        (WIRED, f"{{name: B1, expect: {{rom_code: {OTHER_SWITCH}}}}}"),
    ],
)
def test_one_socket_and_one_device_are_tied(sockets: tuple[str, ...]) -> None:
    """No other socket could hold it: everything that its socket says applies."""
    found = seat(fixture(*sockets), {SWITCH, OTHER_SWITCH} if "rom" in sockets[-1] else {SWITCH, PROBE})  # fmt: skip
    assert found.tied[SWITCH] == "A1"
    assert found.facts[SWITCH].loop_backs == {"a": "b"}
    assert not found.doubts


@pytest.mark.parametrize(
    ("sockets", "codes", "why"),
    [
        ((WIRED,), {SWITCH, OTHER_SWITCH}, "2 devices of family 3Ah"),
        ((WIRED, "{name: B1}"), {SWITCH}, "B1 expects nothing in particular"),
        (
            (WIRED, "{name: B1, expect: {family: 0x3A}}"),
            {SWITCH},
            "B1 expects family 3Ah",
        ),
        (
            (WIRED, f"{{name: B1, expect: {{rom_code: {OTHER_SWITCH}}}}}"),
            {SWITCH},
            f"B1 misses its own {OTHER_SWITCH}",
        ),
    ],
)
def test_a_doubt_is_put_into_words(
    sockets: tuple[str, ...], codes: set[str], why: str
) -> None:
    """Nothing is tied; the message says why and gives the line to write."""
    found = seat(fixture(*sockets), codes)
    assert not found.tied
    assert SWITCH not in found.facts
    assert why in found.doubts[SWITCH]
    assert "`rom_code: " in found.doubts[SWITCH]
    assert "under expect of socket A1" in found.doubts[SWITCH]


def test_sockets_that_say_the_same_need_no_tie() -> None:
    """Whichever it is, its loop_backs are these; its socket stays unknown."""
    same = "{name: A2, expect: {family: 0x3A}, loop_backs: {a: b}}"
    found = seat(fixture(WIRED, same), {SWITCH, OTHER_SWITCH})
    assert not found.tied
    assert not found.doubts
    assert {c: s.loop_backs for c, s in found.facts.items()} == {
        SWITCH: {"a": "b"},
        OTHER_SWITCH: {"a": "b"},
    }


def test_plain_sockets_are_no_matter_of_doubt() -> None:
    """A tray of thermometers that says nothing else needs no words about it."""
    tray = [f"{{name: S{n}, expect: {{family: 0x28}}}}" for n in range(8)]
    assert not seat(fixture(*tray), {PROBE, str(RomCode.build(0x28, 8))}).doubts
    assert not list(outlook(fixture(*tray)))


@pytest.mark.parametrize(
    ("sockets", "said"),
    [
        ((WIRED,), "will apply while a search finds exactly one device of family 3Ah"),
        (
            (WIRED, "{name: B1, expect: {family: 0x3A}}"),
            "will not apply, for a device of family 3Ah may as well sit in B1",
        ),
        (("{name: A1, loop_backs: {a: b}}",), "will never apply"),
        (
            (WIRED, "{name: A2, expect: {family: 0x3A}, loop_backs: {a: b}}"),
            "will apply to each device of family 3Ah",
        ),
    ],
)
def test_check_says_it_before_the_run(sockets: tuple[str, ...], said: str) -> None:
    """With the line to write."""
    first = next(iter(outlook(fixture(*sockets))))
    assert first.startswith("socket A1: loop_backs ")
    assert said in first
    assert "rom_code" in first


def _switches(bench_data: Make, new_device: Make, count: int) -> dict[str, Any]:
    """Switches whose sockets name the family only; S1 has a wire."""
    devices = [new_device(0x3A, 5 + n, tied={"a": "b"}) for n in range(count)]
    data: dict[str, Any] = bench_data(devices)
    for socket in data["sockets"]:
        socket["expect"] = {"family": 0x3A}
    data["sockets"][0]["loop_backs"] = {"a": "b"}
    return data


STEPS = [
    {"enumerate": {"match_sockets": True}},
    {"check": {"function": "loop_back",
               "hazard": ["output-switching", "high-voltage-output"]}},
]  # fmt: skip
ALLOWED = frozenset({Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT})


def test_a_run_uses_the_wires_of_a_socket_without_rom_code(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """It does not ask for the loop_backs that are written there, and names the socket."""
    ran = run_plan(STEPS, _switches(bench_data, new_device, 1), allow=ALLOWED)
    assert ran.code == 0
    assert ran.shown("2", "S1").outcome is Outcome.PASSED
    notes = [e["text"] for e in ran.events if e["event"] == "note"]
    assert any("taken to sit there" in text for text in notes)


def test_a_run_says_why_the_wires_do_not_apply(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Two sockets, two devices: the error gives the line that ends the doubt."""
    ran = run_plan(STEPS, _switches(bench_data, new_device, 2), allow=ALLOWED)
    (first, _) = ran.step("2").results
    assert first.outcome is Outcome.ERROR
    assert "which device sits in socket S1 is not known" in first.shown.message
    code = first.shown.device.rom_code
    assert f"`rom_code: {code}` under expect of socket S1" in first.shown.message


def test_for_each_by_socket_says_it_too(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A socket that nothing is tied to is no failed device."""
    data = _switches(bench_data, new_device, 2)
    steps = [{"enumerate": {}}, {"for_each": {"sockets": ["S1"], "steps": [{"read": {"quantity": "channel_a_level"}}]}}]  # fmt: skip
    ran = run_plan(steps, data)
    assert ran.code == 3
    (step,) = [s for s in ran.record.steps if s.kind == "read"]
    assert (
        "which device sits in socket S1 is not known" in step.results[0].shown.message
    )
