"""The potentiometer 2Ch: echo before action, ramps, steps, search, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    NobodyAnswers,
    UsageError,
)
from harness.families.converters.potentiometer import configure, read, write_position
from harness.families.registry import checks, quantities
from harness.simulation.faults import settings as fs

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

WORKED = [("0F 80", "80"), ("..96", ""), ("F0", "0C 80 00"), ("F0", "0C 80 00")]
"""Write 80h (data sheet DS2890 p. 5-6; the release from memory), with our readings."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x2C)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x2C)[name].run(session, given(checks(0x2C)[name], **options))
    return {value.name: value for value in found.measurements}


def test_worked_transactions(script: Make) -> None:
    """Read 0C 00; write 80h and read it back (data sheet DS2890 p. 5-6)."""
    assert read(script(0x2C, [("F0", "0C 00 00")] * 2)) == (0x0C, 0)
    session = script(0x2C, WORKED)
    write_position(session, 0x80)
    assert session.lines == []


def test_what_no_check_can_catch(script: Make) -> None:
    """A bit wrong in both readings: the position's 8 and the pump's bit stay unseen."""
    uncaught = []
    for bit in range(24):
        answer = bytearray.fromhex("0C 80 00")
        answer[bit // 8] ^= 1 << bit % 8
        try:
            read(script(0x2C, [("F0", answer.hex())] * 2))
            uncaught.append(bit)
        except AnswerImpossible:
            pass
    assert uncaught == [6, *range(8, 16)]


def test_wrong_echo_is_never_released(script: Make) -> None:
    """No 96h goes out after a wrong echo; all ones: no device drives the line are absence."""
    session = script(0x2C, [("0F 80", "81")])
    with pytest.raises(CheckValueWrong, match="nothing is changed"):
        write_position(session, 0x80)
    session = script(0x2C, [("0F 80", "FF")])
    session.present = False
    with pytest.raises(DeviceAbsent):
        write_position(session, 0x80)
    with pytest.raises(DeviceAbsent):
        ask(script(0x2C, [("AA", "FF FF")] * 2), "features")


def test_settings(live: Make) -> None:
    """Wiper and pump are as said; what is not set stays."""
    session = live(0x2C)
    configure(session, {"position": 200, "charge_pump": "on"}, False)
    configure(session, {"position": 201}, False)
    assert (ask(session, "position"), ask(session, "charge_pump")) == (201, "on")
    configure(session, {"charge_pump": False}, False)
    assert device(session).control == 0x0C
    assert ask(session, "features") == "F3"


@pytest.mark.parametrize(
    "wrong", [{"position": 256}, {"position": -1}, {"position": True}, {"charge_pump": "x"}]
)  # fmt: skip
def test_wrong_settings(live: Make, wrong: dict[str, Any]) -> None:
    """Refused before anything is sent."""
    session = live(0x2C)
    with pytest.raises(UsageError):
        configure(session, {"position": 9} | wrong, False)
    assert device(session).position == 0


def test_checks_pass_and_put_the_wiper_back(live: Make, given: Make) -> None:
    """Ramp, steps (also near the end) and search; the wiper stands as before."""
    session = live(0x2C)
    for place in (77, 255):
        write_position(session, place)
        for name in ("wiper_ramp", "wiper_steps", "conditional_search"):
            assert all(v.holds for v in run(session, given, name).values()), name
            assert device(session).position == place


def test_wiper_that_sticks(live: Make, given: Make) -> None:
    """A part that cannot reach its upper half: counted, and the first limit missed."""
    session = live(0x2C)
    part = device(session)
    part._move = lambda position: setattr(part, "position", min(position, 127))
    found = run(session, given, "wiper_ramp", step=64)
    assert (found["positions_tried"].value, found["positions_wrong"].value) == (5, 3)
    part._step = lambda by: part.send_byte(5)
    assert not run(session, given, "wiper_steps", count=2)["steps_wrong"].holds


def test_pulled_off_in_the_ramp(live: Make, given: Make) -> None:
    """The device leaves: an error that says the wiper was not put back."""
    session = live(0x2C)
    bench = session._bus.adapter.port.bench
    plain = session.more

    def pull_off(write: bytes = b"", read: int = 0) -> bytes:
        bench.faults.start(fs.DeviceDropsOff(kind="device-drops-off", device="S1"))
        answer: bytes = plain(write, read)
        return answer

    session.more = pull_off
    with pytest.raises((DeviceAbsent, NobodyAnswers), match="could not be put back"):
        run(session, given, "wiper_ramp")
