"""The dual switch 12h: bytes on the wire, search, activity, memory, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
)
from harness.families.registry import checks, quantities
from harness.families.switches.dual_switch_eprom import (
    PORTS,
    information,
    read_memory,
)
from tests.outside_crc import crc_16

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

LOOK = ("F5 5D FF", "4F FF 24 06")
"""Both off, both high, no supply (computed from part DS2406's channel info byte)."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x12)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x12)[name].run(session, given(checks(0x12)[name], **options))
    return {value.name: value for value in found.measurements}


def checked(sent: str, answer: str) -> str:
    """An answer with the check value that another library computes."""
    check: int = crc_16(bytes.fromhex(sent + answer))
    return answer + check.to_bytes(2, "little").hex()


SWITCHING = [
    LOOK,
    ("AA 07 00", checked("AA0700", "7F")),
    ("55 07 00 5F", "1F CA"),
    ("..FF", "5F"),
    ("F5 5D FF", checked("F55DFF", "5AAA")),
]
"""A on: the worked bytes 55 07 00 5F, 1F CA, FF, 5F between two looks."""


def test_worked_transactions(script: Make) -> None:
    """Levels, latches, supply, channels; then A is switched on (part DS2406)."""
    session = script(0x12, [LOOK] * 4)
    names = ("channel_a_level", "channel_b_output_off", "power_supply", "channel_count")
    assert [ask(session, name) for name in names] == [1, 1, "parasite", 2]
    session = script(0x12, SWITCHING)
    assert PORTS.configure(session, {"channel_a_output": "on"}, False).value == "10"
    assert session.lines == []


def test_ways_to_fail(script: Make) -> None:
    """A write that did not arrive whole is not confirmed; ones are nobody."""
    lines = [*SWITCHING[:2], ("55 07 00 5F", "1F CB")]
    with pytest.raises(CheckValueWrong):
        PORTS.configure(script(0x12, lines), {"channel_a_output": "on"}, False)
    lines = [*SWITCHING[:3], ("..FF", "7F")]
    with pytest.raises(AnswerImpossible, match="7Fh after writing 5Fh"):
        PORTS.configure(script(0x12, lines), {"channel_a_output": "on"}, False)
    with pytest.raises(DeviceAbsent):
        information(script(0x12, [("F5 5D FF", "FF FF FF FF")]))


def test_outputs_levels_activity(live: Make, given: Make) -> None:
    """A sound part passes all port checks; search bits and latches come back."""
    session = live(0x12, tied={"a": "b"}, loop_backs={"a": "b"})
    device(session).search = 0x0D
    PORTS.configure(session, {"channel_b_output": "on"}, False)
    for name in ("output_walk", "loop_back", "activity"):
        assert all(value.holds for value in run(session, given, name).values()), name
    assert device(session).pins.latches == 0b01
    assert device(session).search == 0x0D
    assert ask(session, "power_supply") == "external"


@pytest.mark.parametrize(("channel", "held"), [("a", ()), ("b", ("b",))])
def test_conditional_search(
    live: Make, given: Make, channel: str, held: tuple[str, ...]
) -> None:
    """Hit and miss by a level, high or low; the condition comes back."""
    session = live(0x12, held_low=held)
    device(session).search = 0x03
    found = run(session, given, "conditional_search", channel=channel)
    assert found["answers_when_met"].holds
    assert found["answers_when_not_met"].holds
    assert device(session).search == 0x03


def test_memory_is_read_and_proved(live: Make, given: Make) -> None:
    """Content and its check value; protection in words."""
    session = live(0x12, content="DE AD BE EF")
    assert read_memory(session, 2, 3) == bytes.fromhex("BE EF FF")
    found = run(session, given, "memory_verify", data="DE AD BE EE")
    assert found["bytes_different"].value == 1
    assert ask(session, "protection") == "all open"
    device(session).status[0:2] = b"\xfd\xfc"
    assert ask(session, "protection") == "page 1 write-protected, page 0 redirected"
