"""The thermometer 42h: blocks, channels, alarm search, chain, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
    ReadingImplausible,
    RomCodeInvalid,
    UsageError,
)
from harness.families.registry import checks, family_of, quantities
from harness.families.thermometers.chain_thermometer import prove
from harness.wire.romcode import RomCode
from tests.outside_crc import crc_8

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

BLOCK = "91 01 4B 46 7F FF 0C 10 70"
"""+25.0625 degC, 12 bit (computed from part DS28EA00 p. 7-8)."""

FIRST, SECOND = RomCode.build(0x42, 5), RomCode.build(0x42, 9)


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x42)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x42)[name].run(session, given(checks(0x42)[name], **options))
    return {value.name: value for value in found.measurements}


def configured(session: DeviceSession, store: bool = False, **values: Any) -> Any:  # noqa: ANN401
    """Configure the device."""
    configure = family_of(0x42).configure
    assert configure is not None
    return configure(session, values, store)


def left_chain(rom: RomCode) -> tuple[str, str]:
    """The line of a script that switches a device's chain off."""
    return f"55 {rom.wire.hex()} 99 3C C3", "AA"


def test_worked_transactions(script: Make) -> None:
    """Status 0F; A on: A5 FE 01 is confirmed by AA 3C (part DS28EA00 p. 10-12)."""
    session = script(
        0x42, [("F5", "0F 0F"), ("A5 FE 01", "AA 3C"), ("F5", "3C 3C"), ("F5", "3C 3C")]
    )
    configured(session, channel_a_output="on")
    assert ask(session, "channel_a_level") == 0
    assert session.lines == []


def test_worked_block() -> None:
    """The block of the facts is whole."""
    assert prove(bytes.fromhex(BLOCK)) == bytes.fromhex(BLOCK)


@pytest.mark.parametrize(("place", "value"), [(4, 0xFF), (4, 0x7E)])
def test_fixed_bits(place: int, value: int) -> None:
    """A right check value over a byte 4 that cannot be."""
    body = bytearray.fromhex(BLOCK)[:8]
    body[place] = value
    with pytest.raises(AnswerImpossible):
        prove(bytes(body) + bytes([crc_8(body)]))


@pytest.mark.parametrize("degc", [-40.0, -0.0625, 0.0, 25.0625, 84.9375])
def test_temperature(live: Make, degc: float) -> None:
    """What the surroundings have is what is read, to the ends of the range."""
    session = live(0x42, temperature_degc=degc)
    assert ask(session, "temperature") == degc


@pytest.mark.parametrize("degc", [85.0, 90.0, -41.0])
def test_held_back(live: Make, degc: float) -> None:
    """85 degC cannot be told from the power-on value; beyond the range nothing is read."""
    with pytest.raises(ReadingImplausible):
        ask(live(0x42, temperature_degc=degc), "temperature")


def test_restart_in_a_conversion(live: Make) -> None:
    """A chip that restarts meanwhile reloads its stored limits and is found out."""
    session = live(0x42)
    configured(session, alarm_high_degc=12)
    device(session).restarts_in_work = True
    with pytest.raises(ReadingImplausible, match="restarted meanwhile"):
        ask(session, "temperature")


def test_settings(live: Make) -> None:
    """Limits and resolution are read back, survive storing, and leave outputs alone."""
    session = live(0x42, temperature_degc=25.4375)
    configured(session, alarm_high_degc=30, alarm_low_degc=-7, resolution_bits=10)
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (30, -7)
    assert ask(session, "temperature") == 25.25
    session.memory.clear()
    configured(session, store=True, alarm_high_degc=31, channel_b_output="on")
    assert device(session).eeprom == bytes((31, 0xF9, 0x3F))
    assert ask(session, "channel_b_output_off") == 0
    with pytest.raises(UsageError, match="resolution_bits"):
        configured(session, resolution_bits=13)
    assert ask(session, "conversion_time") == pytest.approx(150, abs=20)
    assert ask(session, "power_supply") == "external"


def test_alarm_search(live: Make, given: Make) -> None:
    """Hit and miss by the limits, which come back; a part that stays out is told."""
    session = live(0x42, temperature_degc=21)
    found = run(session, given, "conditional_search")
    assert all(value.holds for value in found.values())
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (75, 70)
    device(session).knows_conditional_search = False
    found = run(session, given, "conditional_search")
    assert [value.holds for value in found.values()] == [False, True]


def test_channels(live: Make, given: Make) -> None:
    """Walk and loop-back pass; outputs come back."""
    session = live(0x42, tied={"a": "b"}, loop_backs={"a": "b"})
    for name in ("output_walk", "loop_back"):
        assert all(value.holds for value in run(session, given, name).values()), name
    assert device(session).pins.latches == 3


@pytest.mark.parametrize("held", [(), ("b",)])
def test_chain_of_one(live: Make, given: Make, held: tuple[str, ...]) -> None:
    """It answers while EN is low and is silent while not; the chain is off afterwards."""
    session = live(0x42, held_low=held)
    found = run(session, given, "chain", enabled=bool(held))
    assert found["answers_in_chain"].holds
    assert not run(session, given, "chain", enabled=not held)["answers_in_chain"].holds
    assert device(session).chain == 0x3C


@pytest.mark.parametrize("swapped", [False, True])
def test_chain_order(
    session_on: Make, bench_data: Make, new_device: Make, given: Make, swapped: bool
) -> None:
    """The order of the cable is found; another one than wanted is told."""
    data = bench_data(
        [
            new_device(0x42, 5, held_low=["b"]),
            new_device(0x42, 9, follows={"b": "S1.a"}),
        ]
    )
    order = (SECOND, FIRST) if swapped else (FIRST, SECOND)
    session = session_on(data)
    found = run(session, given, "chain_order", order=", ".join(map(str, order)))
    assert found["chain_order"].value == f"{FIRST} {SECOND}"
    assert found["chain_order"].holds is not swapped


def test_chain_transcript(script: Make, given: Make) -> None:
    """On, conditional read ROM, done, on to the next, off: the bytes of the facts."""
    own = FIRST.wire.hex()
    session = script(
        0x42,
        [
            (f"55 {own} 99 5A A5", "AA"),
            ("0F", own),
            ("..99 96 69", "AA"),
            ("0F", "FF" * 8),
            left_chain(FIRST),
        ],
        serial=5,
    )
    assert run(session, given, "chain")["answers_in_chain"].holds
    assert session.lines == []


@pytest.mark.parametrize(
    ("lines", "error"),
    [
        ([("99 5A A5", "00")], AnswerImpossible),
        ([("99 5A A5", "FF")], DeviceAbsent),
        ([("99 5A A5", "AA"), ("0F", "02" * 8)], RomCodeInvalid),
        ([("99 5A A5", "AA"), ("0F", "00" * 8)], RomCodeInvalid),
        ([("99 5A A5", "AA"), ("0F", FIRST.wire.hex()), ("..99 96 69", "00")],
         AnswerImpossible),
    ],
)  # fmt: skip
def test_chain_ways_to_fail(
    script: Make, given: Make, lines: list[tuple[str, str]], error: type[Exception]
) -> None:
    """Each wrong answer is an error, and the chain is switched off all the same."""
    sent, answer = lines[0]
    lines = [(f"55 {FIRST.wire.hex()} {sent}", answer), *lines[1:], left_chain(FIRST)]
    session = script(0x42, lines, serial=5)
    with pytest.raises(error):
        run(session, given, "chain")
    assert session.lines == []


def test_order_must_be_rom_codes(live: Make, given: Make) -> None:
    """Anything else is a mistake of the plan."""
    with pytest.raises(UsageError, match="option order"):
        run(live(0x42), given, "chain_order", order="first, second")
