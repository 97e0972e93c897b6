"""Thermometers 3Bh: four parts told apart, their scales, faults, memory, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    ReadingImplausible,
    UsageError,
)
from harness.families.registry import checks, family_of, quantities
from harness.families.thermometers.located_thermometer import (
    junction_degc,
    prove,
    thermocouple_degc,
    write_row,
)
from tests.outside_crc import crc_8

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

PARTS = ("adjustable", "with-memory", "thermocouple", "low-voltage")
COUPLE = "4C 06 00 19 F5 FF FF FF E1"
"""+100.75 degC, junction +25 degC, location 5 (computed from part MAX31850 p. 12-13)."""

ROW = "A0 A1 A2 A3 A4 A5 A6 A7"
WORKED_WRITE = [
    (f"0F 08 {ROW}", "1F"),
    ("AA 08", ROW),
    ("55 A5", ""),
    ("F0 08", ROW),
    ("F0 08", ROW),
]
"""Row 08h of the part with memory (part MAX31826 p. 14, computed), with the driver's readings."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(0x3B)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    found = checks(0x3B)[name].run(session, given(checks(0x3B)[name], **options))
    return {value.name: value for value in found.measurements}


def configured(session: DeviceSession, **values: Any) -> Any:  # noqa: ANN401
    """Configure the device."""
    configure = family_of(0x3B).configure
    assert configure is not None
    return configure(session, values, False)


def couple(bits: str) -> bytes:
    """A block with 14 bits of the couple, left to right."""
    return (int(bits, 2) << 2).to_bytes(2, "little") + b"\x00\x19\xf5" + b"\xff" * 3


@pytest.mark.parametrize(
    ("bits", "degc"),
    [
        ("01100100000000", 1600.0),
        ("00000110010011", 100.75),
        ("00000001100100", 25.0),
        ("11111111111111", -0.25),
        ("11110000011000", -250.0),
    ],
)
def test_published_couple_table(bits: str, degc: float) -> None:
    """Source: data sheet family 3Bh, thermocouple part (MAX31850/MAX31851), check values."""
    assert thermocouple_degc(couple(bits)) == degc


@pytest.mark.parametrize(
    ("register", "degc"),
    [(0x649, 100.5625), (0x190, 25.0), (0xEC0, -20.0), (0xC90, -55.0)],
)
def test_published_junction_table(register: int, degc: float) -> None:
    """Source: a relative with the same bit weights (MAX31855), Tables 2-5."""
    block = b"\x00\x00" + (register << 4).to_bytes(2, "little")
    assert junction_degc(block) == degc


def test_worked_block() -> None:
    """The block of the facts is whole and reads as printed."""
    block = prove(bytes.fromhex(COUPLE))
    assert (thermocouple_degc(block), junction_degc(block)) == (100.75, 25.0)
    assert prove(bytes.fromhex("50 05 4B 46 75 FF 0C 10 07"))[4] == 0x75


def test_open_circuit_block() -> None:
    """01 06 01 19 F5 .. E3 is an open circuit (part MAX31850 p. 12-13, computed)."""
    block = prove(bytes.fromhex("01 06 01 19 F5 FF FF FF E3"))
    with pytest.raises(ReadingImplausible, match="open circuit"):
        thermocouple_degc(block)


@pytest.mark.parametrize(("place", "value"), [(4, 0x95), (4, 0xE5)])
def test_fixed_bits(place: int, value: int) -> None:
    """A right check value over a byte 4 that none of the parts has."""
    body = bytearray.fromhex(COUPLE)[:8]
    body[place] = value
    with pytest.raises(AnswerImpossible):
        prove(bytes(body) + bytes([crc_8(body)]))


@pytest.mark.parametrize("block", ["4E 06 00 19", "4C 06 08 19"])
def test_reserved_bits_of_the_couple(block: str) -> None:
    """Bit 1 of byte 0 and bit 3 of byte 2 are never set."""
    with pytest.raises(AnswerImpossible, match="reserved bits"):
        thermocouple_degc(bytes.fromhex(block) + b"\xf5\xff\xff\xff")


@pytest.mark.parametrize("variant", PARTS)
@pytest.mark.parametrize("supply", ["external", "parasite"])
def test_parts_are_told_apart(live: Make, variant: str, supply: str) -> None:
    """Each of the four by its tell-tales, fed either way; location by its pins."""
    session = live(
        0x3B,
        fixture={"line": {"pull_up_ohm": 1000, "supply_v": 5.0, "cable_m": 1}},
        variant=variant,
        location=9,
        supply=supply,
    )
    assert ask(session, "variant") == variant.replace("-", " ")
    if variant == "low-voltage":
        with pytest.raises(UsageError, match="no location"):
            ask(session, "location")
    else:
        assert ask(session, "location") == 9


@pytest.mark.parametrize("bits", [9, 10, 11, 12])
@pytest.mark.parametrize("latency_ms", [1, 16])
def test_time_tells_at_any_resolution(live: Make, bits: int, latency_ms: float) -> None:
    """Adjustable and low-voltage parts with any pattern of bits 6:5, however slow the adapter."""
    for variant in ("adjustable", "low-voltage"):
        session = live(
            0x3B,
            variant=variant,
            resolution_bits=bits,
            simulation={"adapter": {"latency_ms": latency_ms}},
        )
        assert ask(session, "variant") == variant.replace("-", " ")
        low_voltage = {9: 8, 10: 9, 11: 10, 12: 12}[bits]
        expected = bits if variant == "adjustable" else low_voltage
        assert ask(session, "resolution") == expected


@pytest.mark.parametrize("variant", ["adjustable", "with-memory", "low-voltage"])
@pytest.mark.parametrize("degc", [-55.0, -0.0625, 0.0, 25.0625, 125.0])
def test_temperature(live: Make, variant: str, degc: float) -> None:
    """What the surroundings have is what is read."""
    session = live(0x3B, variant=variant, temperature_degc=degc)
    assert ask(session, "temperature") == degc
    with pytest.raises(UsageError, match="no cold junction"):
        ask(session, "cold_junction")


@pytest.mark.parametrize("degc", [-250.0, -0.25, 100.75, 1600.0])
def test_thermocouple(live: Make, degc: float) -> None:
    """Couple and junction, each by its own scale."""
    session = live(
        0x3B, variant="thermocouple", thermocouple_degc=degc, temperature_degc=25.0
    )
    assert ask(session, "temperature") == degc
    assert ask(session, "cold_junction") == 25.0
    assert ask(session, "conversion_time") == pytest.approx(70, abs=15)


@pytest.mark.parametrize(
    ("fault", "words"),
    [("open", "open circuit"), ("short-to-ground", "short to ground"),
     ("short-to-supply", "short to the supply")],
)  # fmt: skip
def test_thermocouple_faults(live: Make, fault: str, words: str) -> None:
    """Each fault in words, never a temperature."""
    session = live(0x3B, variant="thermocouple", thermocouple_fault=fault)
    with pytest.raises(ReadingImplausible, match=words):
        ask(session, "temperature")


@pytest.mark.parametrize("variant", ["adjustable", "with-memory", "low-voltage"])
def test_power_on_value(live: Make, variant: str) -> None:
    """85 degC without a conversion is held back; a true one only where byte 6 tells."""
    session = live(0x3B, variant=variant, temperature_degc=85.0)
    session.memory["variant"] = variant.replace("-", " ")
    reread = quantities(0x3B)["temperature"].reread
    assert reread is not None
    with pytest.raises(ReadingImplausible, match="power-on value"):
        reread(session)
    if variant == "adjustable":
        assert ask(session, "temperature") == 85.0


def test_settings(live: Make) -> None:
    """Of the adjustable part only; the location stays."""
    session = live(0x3B, location=5)
    configured(session, alarm_high_degc=30, alarm_low_degc=-7, resolution_bits=10)
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (30, -7)
    assert (ask(session, "resolution"), ask(session, "location")) == (10, 5)
    with pytest.raises(UsageError, match="no alarm limits"):
        configured(live(0x3B, variant="with-memory"), alarm_high_degc=30)


def test_alarm_search(live: Make, given: Make) -> None:
    """Hit and miss by the limits, which come back."""
    session = live(0x3B)
    found = run(session, given, "conditional_search")
    assert all(value.holds for value in found.values())
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (75, 70)


def test_worked_write(script: Make) -> None:
    """Row 08h: the bytes of the facts; 25 ms of strong pull-up (from memory)."""
    session = script(0x3B, WORKED_WRITE)
    session.memory["variant"] = "with memory"
    write_row(session, 0x08, bytes.fromhex(ROW))
    assert session.lines == []
    assert session.held_s == [0.025]


def test_memory(live: Make, given: Make) -> None:
    """Patterns pass and the content comes back; the other parts have none."""
    session = live(0x3B, variant="with-memory", content="DE AD BE EF")
    before = bytes(device(session).cells)
    found = run(session, given, "memory_pattern", start=3, length=12)
    assert found["bits_wrong"].value == 0
    assert bytes(device(session).cells) == before
    with pytest.raises(UsageError, match="no memory"):
        run(live(0x3B), given, "memory_verify", fill="blank")
