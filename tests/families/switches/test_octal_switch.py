"""The octal switch 29h: bytes on the wire, search, test mode, activity, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
)
from harness.families.registry import checks, quantities
from harness.families.switches.octal_switch import PORTS, registers, write_search
from tests.outside_crc import crc_16

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

WORKED = "FE FF 01 00 00 88 FF FF 7B 72"
"""Registers of a part with P0 held low (computed from part DS2408's register map)."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x29)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x29)[name].run(session, given(checks(0x29)[name], **options))
    return {value.name: value for value in found.measurements}


def checked(sent: str, answer: str) -> str:
    """An answer with the check value that another library computes."""
    check: int = crc_16(bytes.fromhex(sent + answer))
    return answer + check.to_bytes(2, "little").hex()


def test_worked_registers(script: Make) -> None:
    """Level, latch, activity, supply and power-on flag of the worked transaction."""
    session = script(0x29, [("F0 88 00", WORKED)] * 6)
    names = (
        "channel_0_level",
        "channel_1_level",
        "channel_0_output_off",
        "channel_0_activity",
        "power_on_flag",
    )
    assert [ask(session, name) for name in names] == [0, 1, 1, 1, True]
    assert ask(session, "power_supply") == "external"


def test_worked_search_registers(script: Make) -> None:
    """CC 8B 00 FF FF 01, proved by reading (part DS2408)."""
    block = checked("F08800", "A5A500FFFF81FFFF")
    session = script(0x29, [("CC 8B 00 FF FF 01", ""), ("F0 88 00", block)])
    write_search(session, 0xFF, 0xFF, 0x01)
    assert session.lines == []


def test_worked_write(script: Make) -> None:
    """5A A5 5A is confirmed by AAh and the pins."""
    before = checked("F08800", "FFFF00000080FFFF")
    after = checked("F08800", "A5A55A000080FFFF")
    session = script(
        0x29, [("F0 88 00", before), ("5A A5 5A", "AA A5"), ("F0 88 00", after)]
    )
    on = {f"channel_{n}_output": not 0xA5 >> n & 1 for n in range(8)}
    assert PORTS.configure(session, on, False).value == "10100101"
    assert session.lines == []


def test_worked_test_mode_exit(script: Make, given: Make) -> None:
    """96h, ROM code, 3Ch without selection: laid out as in part DS2408's sheet."""
    session = script(
        0x29,
        [("96 29 0C 0B 0A 00 00 00 35 3C", ""), ("F0 88 00", WORKED)],
        serial=0x0A0B0C,
    )
    assert run(session, given, "leave_test_mode")["registers_sound"].holds
    assert session.lines == []


@pytest.mark.parametrize(
    ("last", "first_check", "later_check"),
    [("FF", "62 7C", "FE 5B"), ("7F", "63 DC", "FF FB")],
)
def test_worked_samples(
    script: Make, given: Make, last: str, first_check: str, later_check: str
) -> None:
    """32 samples and their check value, twice: laid out as in part DS2408's sheet."""
    samples = "FF" * 31 + last
    session = script(0x29, [("F5", samples + first_check + samples + later_check)])
    found = run(session, given, "level_samples", passes=2, high=0)
    assert found["samples"].value == 64
    assert found["level_changes"].value == (0 if last == "FF" else 3)
    assert found["level_changes"].holds is (last == "FF")


def test_right_check_value_over_wrong_reserved_bits(script: Make) -> None:
    """Reserved bits are proved too: a check value shows transport, not truth."""
    for body in ("FEFF01000098FFFF", "FEFF01000088FEFF"):
        with pytest.raises(AnswerImpossible, match="must be 0"):
            registers(script(0x29, [("F0 88 00", checked("F08800", body))]))
    with pytest.raises(DeviceAbsent):
        registers(script(0x29, [("F0 88 00", "FF" * 10)]))


@pytest.mark.parametrize("answer", ["FF FF", "55 A5"])
def test_write_not_confirmed(script: Make, answer: str) -> None:
    """Ones or another byte instead of AAh are no success."""
    before = checked("F08800", "FFFF00000080FFFF")
    session = script(0x29, [("F0 88 00", before), ("5A FE 01", answer)])
    with pytest.raises(AnswerImpossible):
        PORTS.configure(session, {"channel_0_output": "on"}, False)


def test_activity_not_confirmed(script: Make, live: Make, given: Make) -> None:
    """A part that does not say AAh to C3h did not clear its latches."""
    session = live(0x29)
    plain = session.transact
    session.transact = lambda write, read=0: (
        b"\x00" if write == b"\xc3" else plain(write, read)
    )
    with pytest.raises(AnswerImpossible, match="00h instead of AA"):
        run(session, given, "activity")


def test_power_on_flag(live: Make, given: Make) -> None:
    """Set after power-up, cleared once; a second look finds it cleared."""
    session = live(0x29)
    found = run(session, given, "power_on_flag_clear", wanted=True)
    assert all(value.holds for value in found.values())
    assert not run(session, given, "power_on_flag_clear", wanted=True)[
        "power_on_flag_before"
    ].holds


@pytest.mark.parametrize("held", [(), ("3",)])
def test_conditional_search(live: Make, given: Make, held: tuple[str, ...]) -> None:
    """Hit and miss by a pin's level, high or low; the registers come back."""
    session = live(0x29, held_low=held)
    write_search(session, 0x5A, 0x0F, 0x03)
    found = run(session, given, "conditional_search", channel="3")
    assert found["answers_when_met"].holds
    assert found["answers_when_not_met"].holds
    assert bytes(device(session).search) == bytes((0x5A, 0x0F, 0x03))


def test_conditional_search_that_never_answers(live: Make, given: Make) -> None:
    """A part that stays out of the search misses the first limit only."""
    session = live(0x29)
    device(session).knows_conditional_search = False
    found = run(session, given, "conditional_search")
    assert [value.holds for value in found.values()] == [False, True]


def test_walk_and_activity(live: Make, given: Make) -> None:
    """A sound part passes both; latches that were on come back."""
    session = live(0x29, tied={"2": "5"}, loop_backs={"2": "5"})
    device(session).pins.switch(0x3C)
    for name in ("output_walk", "activity", "loop_back"):
        assert all(value.holds for value in run(session, given, name).values()), name
        assert device(session).pins.latches == 0x3C


def test_undeclared_wire_is_coupling(live: Make, given: Make) -> None:
    """Two pins that move together without a wire in the fixture."""
    session = live(0x29, tied={"2": "5"})
    assert run(session, given, "output_walk")["pins_coupled"].value == "2, 5"
    assert run(session, given, "activity")["edges_without_cause"].value == "2, 5"


def test_test_mode_is_found_and_left(live: Make, given: Make) -> None:
    """Output 0 does not take writes until the test mode is left."""
    session = live(0x29, wakes_in_test_mode=True)
    device(session).pins.switch(0xFF)
    with pytest.raises(AnswerImpossible, match="channel 0") as raised:
        PORTS.configure(session, {"channel_0_output": "on"}, False)
    assert "test mode" in raised.value.hint
    run(session, given, "leave_test_mode")
    PORTS.configure(session, {"channel_0_output": "on"}, False)
    assert device(session).pins.latches == 0xFE


def test_samples_of_a_moving_pin(live: Make, given: Make) -> None:
    """Still pins give no change."""
    found = run(live(0x29, held_low=("7",)), given, "level_samples", high=0)
    assert found["samples"].value == 128
    assert found["level_changes"].holds
