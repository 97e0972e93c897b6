"""The dual switch 3Ah: bytes on the wire, loads at fault, wires between its channels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    UsageError,
)
from harness.families.hazard import Hazard
from harness.families.registry import checks, quantities
from harness.families.switches.dual_switch import PORTS

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

OFF = ("F5", "0F 0F")


def pins(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The pins of the simulated part."""
    return session._bus.adapter.port.bench.stations[0].device.pins


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x3A)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x3A)[name].run(session, given(checks(0x3A)[name], **options))
    return {value.name: value for value in found.measurements}


def test_worked_transactions(script: Make) -> None:
    """Both on, then B alone: computed from part DS2413 p. 4-6."""
    session = script(
        0x3A, [OFF, ("5A FC 03", "AA F0"), ("F5", "F0 F0"), ("F5", "F0 F0"),
               ("5A FD 02", "AA C3"), ("F5", "C3 C3")]
    )  # fmt: skip
    PORTS.configure(
        session, {"channel_a_output": "on", "channel_b_output": "on"}, False
    )
    PORTS.configure(
        session, {"channel_a_output": False, "channel_b_output": True}, False
    )
    assert session.lines == []


@pytest.mark.parametrize(
    ("status", "levels", "latches"),
    [(0x0F, "11", "11"), (0x1E, "10", "11"), (0xF0, "00", "00"), (0xC3, "01", "01"),
     (0x3C, "10", "10")],
)  # fmt: skip
def test_status_bytes(script: Make, status: int, levels: str, latches: str) -> None:
    """Pin and latch are two bits (status bytes of the facts; F24: 1E is a load fault)."""
    session = script(0x3A, [("F5", f"{status:02X} {status:02X}")])
    evidence = quantities(0x3A)["channel_a_level"].read(session).evidence
    assert evidence == {"levels": levels, "latches": latches}


def test_what_no_check_can_catch(script: Make) -> None:
    """A bit and its complement wrong: seen in one reading, unseen in both alike (4 of 4)."""
    caught = uncaught = 0
    for place in range(4):
        wrong = 0x0F ^ (0x11 << place)
        with pytest.raises(CheckValueWrong):
            quantities(0x3A)["channel_a_level"].read(
                script(0x3A, [("F5", f"0F {wrong:02X}")])
            )
        caught += 1
        session = script(0x3A, [("F5", f"{wrong:02X} {wrong:02X}")])
        quantities(0x3A)["channel_a_level"].read(session)
        uncaught += 1
    assert (caught, uncaught) == (4, 4)


@pytest.mark.parametrize(
    ("answer", "error"), [("FF FF", AnswerImpossible), ("AB 0F", AnswerImpossible),
                          ("AA 1F", AnswerImpossible)]
)  # fmt: skip
def test_refused_writes(script: Make, answer: str, error: type[Exception]) -> None:
    """Ones from a device that is there, another confirmation, a broken status."""
    with pytest.raises(error):
        PORTS.configure(
            script(0x3A, [OFF, ("5A FE 01", answer)]), {"channel_a_output": "on"}, False
        )


def test_ones_from_nobody(script: Make) -> None:
    """Ones from a device that is gone are absence, in reading and in writing."""
    session = script(0x3A, [OFF, ("5A FE 01", "FF FF"), ("F5", "FF FF")])
    session.present = False
    with pytest.raises(DeviceAbsent):
        PORTS.configure(session, {"channel_a_output": "on"}, False)
    with pytest.raises(DeviceAbsent):
        ask(session, "channel_a_level")


def test_outputs_follow_their_settings(live: Make) -> None:
    """What is set is read back from the pins."""
    session = live(0x3A)
    PORTS.configure(session, {"channel_b_output": "on"}, False)
    shown = ("level", "output_off")
    assert [ask(session, f"channel_{c}_{w}") for w in shown for c in "ab"] == [
        1, 0, 1, 0]  # fmt: skip
    with pytest.raises(UsageError, match="on or off"):
        PORTS.configure(session, {"channel_b_output": "half"}, False)


def test_walk_finds_what_is_wrong(live: Make, given: Make) -> None:
    """A sound part passes; a pin held low is named; the outputs come back."""
    session = live(0x3A)
    PORTS.configure(session, {"channel_b_output": "on"}, False)
    assert all(value.holds for value in run(session, given, "output_walk").values())
    assert pins(session).latches == 0b01
    pins(session).held_low = {"a"}
    found = run(session, given, "output_walk")
    assert found["pins_low_while_off"].value == "a"
    assert not found["pins_low_while_off"].holds
    assert found["pins_high_while_on"].holds


def test_loop_back(live: Make, given: Make) -> None:
    """The input that the fixture wires to an output follows it; a missing wire shows."""
    wired = live(0x3A, loop_backs={"a": "b"}, tied={"a": "b"})
    found = run(wired, given, "loop_back")
    assert all(value.holds for value in found.values())
    assert found["level_b_with_a_on"].value == 0
    assert pins(wired).latches == 0b11
    assert all(value.holds for value in run(wired, given, "output_walk").values())
    broken = live(0x3A, loop_backs={"a": "b"})
    found = run(broken, given, "loop_back")
    assert [name for name, value in found.items() if not value.holds] == [
        "level_b_with_a_on"
    ]


def test_wires_that_nobody_declared(live: Make, given: Make) -> None:
    """Without a wire in fixture and options the check cannot run; one not there is coupling."""
    session = live(0x3A, tied={"a": "b"})
    with pytest.raises(UsageError, match="does not say"):
        run(session, given, "loop_back")
    with pytest.raises(UsageError, match="without the output"):
        run(session, given, "loop_back", input="b")
    found = run(session, given, "loop_back", output="a", input="b")
    assert all(value.holds for value in found.values())
    assert run(session, given, "output_walk")["pins_coupled"].value == "a, b"
    with pytest.raises(UsageError, match="no channel 'x'"):
        run(live(0x3A, loop_backs={"a": "x"}), given, "loop_back")


def test_plan_needs_both_hazards_and_the_fixtures_wires(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """A plan names the hazards, the command line allows them, the fixture says the wire."""
    data = bench_data([new_device(0x3A, 5, tied={"a": "b"})])
    data["sockets"][0]["loop_backs"] = {"a": "b"}
    hazards = ["output-switching", "high-voltage-output"]
    steps = [
        {"enumerate": {"count": 1}},
        {"check": {"function": "loop_back", "hazard": hazards}},
        {"configure": {"settings": {"channel_a_output": "on"}, "hazard": [*hazards]}},
        {"read": {"quantity": "channel_b_level", "low": 0, "high": 0}},
    ]
    allowed = run_plan(
        steps,
        data,
        allow=frozenset({Hazard.OUTPUT_SWITCHING, Hazard.HIGH_VOLTAGE_OUTPUT}),
    )
    assert allowed.code == 0
    with pytest.raises(UsageError, match="does not allow high-voltage-output"):
        run_plan(steps, data, allow=frozenset({Hazard.OUTPUT_SWITCHING}))
