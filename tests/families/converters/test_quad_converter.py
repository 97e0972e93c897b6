"""The converter 20h: bytes on the wire, scaling, alarms, outputs, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
    StillBusy,
    UsageError,
)
from harness.families.converters.channels import write_byte
from harness.families.converters.quad_converter import configure
from harness.families.registry import checks, quantities
from tests.outside_crc import crc_16

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


def checked(sent: str, answer: str = "") -> str:
    """An answer with the check value that another library computes."""
    check: int = crc_16(bytes.fromhex(sent + answer))
    return answer + check.to_bytes(2, "little").hex()


WORKED = [
    ("AA 08 00", checked("AA0800", "088C088C088C0C0D")),
    ("AA 18 00", checked("AA1800", "0000000040000000")),
    ("3C 08 00", "38 33 00"),
    ("..", "FF"),
    ("AA 00 00", checked("AA0000", "000000000000407D")),
]
"""2.505 V at channel D, 12 bit, 5.12 V (computed from data sheet DS2450 p. 4-5 and 16)."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x20)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x20)[name].run(session, given(checks(0x20)[name], **options))
    return {value.name: value for value in found.measurements}


def test_worked_transactions(script: Make) -> None:
    """Two writes, a conversion and its result, after the example of DS2450 p. 16."""
    session = script(0x20, [("55 1C 00 40", "2E 05 40"), ("55 0E 00 0C", "8F F5 0C")])
    write_byte(session, 0x1C, 0x40)
    write_byte(session, 0x0E, 0x0C)
    assert session.lines == []
    session = script(0x20, WORKED)
    assert ask(session, "channel_d_voltage") == 2.505
    assert session.lines == []


def test_results_with_unused_bits_set(script: Make) -> None:
    """A right check value over bits that a conversion of 12 cannot make."""
    lines = [*WORKED[:4], ("AA 00 00", checked("AA0000", "000000000000417D"))]
    with pytest.raises(AnswerImpossible, match="unused low bits"):
        ask(script(0x20, lines), "channel_d_voltage")


def test_other_byte_stored(script: Make) -> None:
    """A right check value and another byte behind it: not written."""
    with pytest.raises(AnswerImpossible, match="holds 00h"):
        write_byte(script(0x20, [("55 1C 00 40", "2E 05 00")]), 0x1C, 0x40)
    with pytest.raises(DeviceAbsent):
        write_byte(script(0x20, [("55 1C 00 40", "FF FF FF")]), 0x1C, 0x40)


@pytest.mark.parametrize("supply", ["external", "parasite"])
@pytest.mark.parametrize("volts", [0.0, 0.005, 1.0, 2.5, 5.115])
def test_voltage(live: Make, supply: str, volts: float) -> None:
    """Read to one step of 12 bits over 5.12 V, by its own supply or from the line."""
    session = live(
        0x20,
        fixture={"line": {"pull_up_ohm": 1000, "supply_v": 5.0, "cable_m": 1}},
        input_v={"c": volts},
        supply=supply,
    )
    configure(
        session,
        {
            "supply": supply,
            "channel_c_resolution_bits": 12,
            "channel_c_range_v": 5.12,
        },
        False,
    )
    read = ask(session, "channel_c_voltage")
    assert volts - 5.12 / 4096 < read <= volts + 1e-6


@pytest.mark.parametrize(
    ("bits", "range_v", "expected"),
    [(16, 5.12, 1.23), (8, 2.56, 1.23), (4, 5.12, 0.96), (1, 2.56, 0.0)],
)
def test_scaling(live: Make, bits: int, range_v: float, expected: float) -> None:
    """Code / 65536 x range, rounded down to the bits converted."""
    session = live(0x20, input_v={"a": 1.23})
    configure(
        session,
        {"channel_a_resolution_bits": bits, "channel_a_range_v": range_v},
        False,
    )
    assert ask(session, "channel_a_voltage") == pytest.approx(expected, abs=1e-4)


def test_conversion_that_is_not_heard_or_does_not_end(live: Make) -> None:
    """No busy slot is an absent converter; busy beyond the published time is late."""
    session = live(0x20)
    configure(session, {"supply": "external"}, False)
    device(session)._start = lambda places: None
    with pytest.raises(DeviceAbsent, match="turn busy"):
        ask(session, "channel_a_voltage")
    slow = live(0x20, bit_us=10_000.0)
    configure(slow, {"supply": "external"}, False)
    with pytest.raises(StillBusy, match="published"):
        ask(slow, "channel_a_voltage")


def test_settings(live: Make) -> None:
    """Registers as asked for; a wrong value is refused before anything is written."""
    session = live(0x20)
    memory = device(session).memory
    configure(
        session,
        {"channel_b_resolution_bits": 16, "channel_b_range_v": 5.12,
         "channel_b_alarm_low_v": 1.0, "channel_b_alarm_high_v": 4.0, "channel_b_output": "off"},
        False,
    )  # fmt: skip
    assert bytes(memory[0x0A:0x0C]) == b"\xc0\x8d"
    assert bytes(memory[0x12:0x14]) == bytes((50, 200))
    before = bytes(memory)
    wrongs: tuple[dict[str, Any], ...] = (
        {"channel_b_range_v": 3}, {"channel_b_resolution_bits": 0}, {"channel_b_output": "x"},
        {"channel_b_resolution_bits": 1.5}, {"channel_b_alarm_low_v": 6}, {"supply": "x"},
    )  # fmt: skip
    for wrong in wrongs:
        with pytest.raises(UsageError):
            configure(session, {"channel_a_output": "on", **wrong}, False)
    assert bytes(memory) == before


def test_power_on_flags(live: Make, given: Make) -> None:
    """All four after power-up, none once cleared."""
    session = live(0x20)
    assert ask(session, "power_on_flags") == "a, b, c, d"
    found = run(session, given, "power_on_flags_clear", wanted="a, b, c, d")
    assert all(value.holds for value in found.values())
    assert ask(session, "power_on_flags") == "none"


@pytest.mark.parametrize("volts", [0.0, 0.7, 2.0, 2.559])
def test_conditional_search(live: Make, given: Make, volts: float) -> None:
    """Hit and miss at any input; all but the power-on flags comes back."""
    session = live(0x20, input_v={"b": volts})
    configure(session, {"channel_b_alarm_low_v": 0.5}, False)
    before = bytes(device(session).memory)
    found = run(session, given, "conditional_search", channel="b")
    assert found["answers_when_met"].holds
    assert found["answers_when_not_met"].holds
    after = bytes(device(session).memory)
    cleared = bytes(b & (0x4F if i % 2 else 0xFF) for i, b in enumerate(before[8:16]))
    assert bytes(b & (0x4F if i % 2 else 0xFF) for i, b in enumerate(after[8:16])) == (
        cleared
    )
    assert after[16:] == before[16:]


def test_loop_back(live: Make, given: Make) -> None:
    """The input wired to an output follows it; a missing wire shows; outputs come back."""
    wired = live(0x20, input_v={"b": 2.5}, tied={"a": "b"}, loop_backs={"a": "b"})
    found = run(wired, given, "loop_back")
    assert all(value.holds for value in found.values())
    assert device(wired).memory[8] == 0x08
    broken = live(0x20, input_v={"b": 2.5}, loop_backs={"a": "b"})
    found = run(broken, given, "loop_back")
    assert [value.holds for value in found.values()] == [True, False]
    configure(wired, {"channel_a_output": True}, False)
    assert ask(wired, "channel_a_output") == "on"
