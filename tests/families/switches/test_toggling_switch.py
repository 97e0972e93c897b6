"""The toggling switch 05h: sensed by search, every match counted and restored."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
)
from harness.families.registry import checks, quantities
from harness.families.switches.toggling_switch import PORTS

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x05)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x05)[name].run(session, given(checks(0x05)[name], **options))
    return {value.name: value for value in found.measurements}


def test_worked_transaction(script: Make) -> None:
    """One bare match (55 05 77 .. D4, nothing behind it) toggles; sensing sends none."""
    session = script(0x05, [("", "")], serial=0x77)
    states = iter([False, False, True])
    session.read_bits = lambda slots: [1] * slots
    session.meets_condition = lambda: next(states)
    PORTS.configure(session, {"channel_a_output": "on"}, False)
    assert session.lines == []
    assert session.memory["toggles"] == 1


def test_looking_never_toggles(live: Make) -> None:
    """F25: however often it is looked at, the output stays."""
    session = live(0x05)
    for name in (
        "channel_a_level",
        "channel_a_output_off",
        "channel_a_level",
        "rom_code",
        "toggles",
    ):
        ask(session, name)
    assert device(session).toggles == 0


def test_output_is_as_wanted(live: Make) -> None:
    """Toggled only if it is not as wanted already."""
    session = live(0x05)
    for value, toggles in (("off", 0), ("on", 1), ("on", 1), ("off", 2)):
        PORTS.configure(session, {"channel_a_output": value}, False)
        assert device(session).toggles == toggles
        assert ask(session, "channel_a_output_off") == (value == "off")
        assert ask(session, "channel_a_level") == (value == "off")
        assert ask(session, "toggles") == toggles


@pytest.mark.parametrize("times", [3, 4])
def test_toggle_check(live: Make, given: Make, times: int) -> None:
    """Each match toggles once; after an odd number one more puts the output back."""
    session = live(0x05)
    found = run(session, given, "toggle", times=times)
    assert found["matches_without_toggle"].holds
    assert device(session).pins.latches == 1
    assert device(session).toggles == (times + 1) // 2 * 2


def test_a_load_at_fault(live: Make, given: Make) -> None:
    """Transistor off and pin low is not the switch: told as a pin that is low while off."""
    session = live(0x05, held_low=("a",))
    assert (ask(session, "channel_a_level"), ask(session, "channel_a_output_off")) == (
        0,
        1,
    )
    found = run(session, given, "output_walk")
    assert found["pins_low_while_off"].value == "a"
    assert found["pins_high_while_on"].holds


def test_part_that_does_not_toggle(live: Make) -> None:
    """A match without effect is an error, not a success."""
    session = live(0x05)
    device(session).meets_condition = lambda: False
    with pytest.raises(AnswerImpossible, match="channel a reads back wrong"):
        PORTS.configure(session, {"channel_a_output": "on"}, False)
