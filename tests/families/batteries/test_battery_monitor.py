"""Battery monitor 26h: bytes on the wire, conversions, offset, user bytes, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.registry import checks, family_of, quantities
from harness.wire.crc import crc8
from tests.outside_crc import crc_8

Make = Callable[..., Any]

PAGE_0 = "0F 20 19 1E 01 80 00 00 EB"
"""Computed from the formats of data sheet DS2438 p. 6-10: 25.125 degC, 2.86 V, +1.25 A at
25 mohm."""

TEMPERATURE = [("44", "00"), ("..", "FF"), ("B8 00", ""), ("BE 00", PAGE_0)]
VOLTAGE = [("B4", "00"), ("..", "FF"), ("B8 00", ""), ("BE 00", PAGE_0)]
CURRENT = [("B8 00", ""), ("BE 00", PAGE_0)]


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(0x26)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(0x26)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def configure(session: Any, **settings: Any) -> Any:  # noqa: ANN401
    """Configure the part."""
    configured = family_of(0x26).configure
    assert configured is not None
    return configured(session, settings, False)


@pytest.mark.parametrize(
    ("name", "lines", "value"),
    [
        ("temperature", TEMPERATURE, 25.125),
        ("voltage", VOLTAGE, 2.86),
        ("current", CURRENT, 1.25),
        (
            "accumulated_charge",
            [("B8 01", ""), ("BE 01", "10 27 00 00 20 F8 FF FF 64")],
            0.625,
        ),
        (
            "elapsed_time",
            [("B8 01", ""), ("BE 01", "10 27 00 00 20 F8 FF FF 64")],
            10_000,
        ),
        (
            "charge_total",
            [("B8 07", ""), ("BE 07", "00 00 00 00 40 00 20 00 21")],
            40,
        ),
        (
            "discharge_total",
            [("B8 07", ""), ("BE 07", "00 00 00 00 40 00 20 00 21")],
            20,
        ),
    ],
)
def test_worked_readings(
    script: Make, name: str, lines: list[tuple[str, str]], value: float
) -> None:
    """Computed from data sheet DS2438 p. 6-10, Rs = 25 mohm."""
    session = script(0x26, lines)
    session.memory["sense_mohm"] = 25.0
    assert read(session, name) == pytest.approx(value)
    assert session.lines == []


@pytest.mark.parametrize(
    ("raw", "degc"), [(0xFF80, -0.5), (0x1910, 25.0625), (0xE6F0, -25.0625)]
)
def test_temperature_table(script: Make, raw: int, degc: float) -> None:
    """From memory: signed, in 1/256 degC, low three bits zero."""
    block = bytes([0x0F]) + raw.to_bytes(2, "little") + bytes(5)
    answer = (block + bytes([crc_8(block)])).hex()
    session = script(0x26, [*TEMPERATURE[:3], ("BE 00", answer)])
    assert read(session, "temperature") == degc


def test_page_check_values() -> None:
    """The CRC-8 of this package accepts all worked pages."""
    for page in (
        PAGE_0,
        "10 27 00 00 20 F8 FF FF 64",
        "00 00 00 00 40 00 20 00 21",
        "01 02 03 04 05 06 07 08 83",
    ):
        block = bytes.fromhex(page)
        assert crc8(block[:-1]) == block[-1]


def test_what_no_check_can_catch(script: Make) -> None:
    """Busy slots have no check value: 16 of 16 single flips cost a wait at most."""
    for bit in range(8):
        lines = [("44", f"{1 << bit:02X}"), *TEMPERATURE[1:]]
        assert read(script(0x26, lines), "temperature") == 25.125
        waits = [("44", "00"), ("..", f"{0xFF ^ 1 << bit:02X}"), *TEMPERATURE[1:]]
        assert read(script(0x26, waits), "temperature") == 25.125


@pytest.mark.parametrize(
    ("lines", "error", "words"),
    [
        ([("44", "FF")], ReadingImplausible, "did not begin"),
        ([("44", "00"), *[("..", "00")] * 5], StillBusy, "not done after 0.05 s"),
        ([*TEMPERATURE[:3], ("BE 00", "FF" * 9)], DeviceAbsent, "no device drives"),
        (
            [*TEMPERATURE[:3], ("BE 00", "1F 20 19 1E 01 80 00 00 9A")],
            StillBusy,
            "still shows",
        ),
        (
            [*TEMPERATURE[:3], ("BE 00", "0F 21 19 1E 01 80 00 00 92")],
            AnswerImpossible,
            "never set",
        ),
    ],
)
def test_each_way_to_fail_has_its_words(
    script: Make, lines: list[tuple[str, str]], error: type[Exception], words: str
) -> None:
    """No busy slot, no end, silence, busy flag, impossible bits."""
    fixed = []
    for sent, answer in lines:
        data = bytes.fromhex(answer)
        if len(data) == 9 and set(data) != {0xFF}:
            data = data[:8] + bytes([crc_8(data[:8])])
        fixed.append((sent, data.hex()))
    with pytest.raises(error, match=words):
        read(script(0x26, fixed), "temperature")


def test_current_needs_the_resistor(live: Make) -> None:
    """Nothing in the part says what it measures across."""
    session = live(0x26)
    with pytest.raises(UsageError, match="sense resistor"):
        read(session, "current")
    with pytest.raises(UsageError, match="sense_mohm"):
        configure(session, sense_mohm=0)


def test_live_readings_and_signs(live: Make) -> None:
    """Temperature, either voltage, current in both directions."""
    session = live(
        0x26, temperature_degc=-12.5, supply_v=4.2, input_v=7.31, current_a=-1.0
    )
    configure(session, sense_mohm=25)
    assert read(session, "temperature") == -12.5
    assert read(session, "voltage") == pytest.approx(4.2)
    assert read(session, "current") == pytest.approx(-1.0, abs=0.01)
    configure(session, voltage_input="input")
    assert read(session, "configuration").endswith("voltage of input")
    assert read(session, "voltage") == pytest.approx(7.31)
    model(session).current_a = 2.0
    assert read(session, "current") == pytest.approx(2.0, abs=0.01)


def test_settings_survive_a_recall(live: Make) -> None:
    """The trap of an uncopied configuration: what is configured is still there."""
    session = live(0x26)
    configure(session, accumulators=False, threshold_counts=4)
    assert read(session, "threshold_counts") == 4
    assert "accumulators" not in read(session, "configuration")
    assert model(session).cells[0] == 0x0D
    with pytest.raises(UsageError, match="threshold_counts"):
        configure(session, threshold_counts=3)
    with pytest.raises(UsageError, match="voltage_input"):
        configure(session, voltage_input="both")
    with pytest.raises(UsageError, match="on or off"):
        configure(session, shadow="both")


def test_current_register_with_the_converter_off(live: Make) -> None:
    """An old value is no reading."""
    session = live(0x26, current_a=1)
    configure(session, sense_mohm=25, current_converter=False)
    with pytest.raises(ReadingImplausible, match="converter is off"):
        read(session, "current")


def test_offset_in_counts_current_and_account(live: Make, given: Make) -> None:
    """Raw +3 at 25 mohm is 3 / 4096 / 0.025 = +29 mA, 0.70 Ah a day, over the limit of 2."""
    session = live(0x26, offset_counts=3)
    configure(session, sense_mohm=25)
    found = run(session, given, "current_offset")
    assert (found["offset"].value, found["offset"].holds) == (3, False)
    assert found["offset_current"].value == pytest.approx(29.3, abs=0.1)
    assert found["account_error"].value == pytest.approx(0.70, abs=0.01)


def test_trimming_the_offset(live: Make, given: Make) -> None:
    """Trim -3, shifted left by 3, is E8 FF; then the reading is zero."""
    session = live(0x26, offset_counts=3)
    configure(session, sense_mohm=25)
    found = run(session, given, "offset_trim", readings=4)
    assert (found["trim"].value, found["offset"].value) == (-3, 0)
    assert bytes(model(session).cells[13:15]) == bytes.fromhex("E8 FF")
    assert model(session).cells[0] == 0x0F


def test_charge_account_counts_both_ways(live: Make, given: Make) -> None:
    """The account gains what flows in and loses what flows out."""
    session = live(0x26, current_a=2)
    configure(session, sense_mohm=25)
    gained = run(session, given, "charge_accumulation", for_s=600)["charge_gained"]
    assert gained.holds
    assert gained.value == pytest.approx(333, abs=25)
    model(session).current_a = -2
    lost = run(session, given, "charge_accumulation", for_s=300)["charge_gained"]
    assert lost.holds
    assert lost.value < -100


def test_account_that_does_not_move(live: Make, given: Make) -> None:
    """A threshold above the current: the account stands still, the check fails."""
    session = live(0x26, current_a=0.05)
    configure(session, sense_mohm=25, threshold_counts=8)
    found = run(session, given, "charge_accumulation", for_s=36_000)
    assert not found["charge_gained"].holds


def test_user_bytes(live: Make, given: Make) -> None:
    """Across two pages; the last page is taken by the totals while they count."""
    session = live(0x26)
    found = run(session, given, "memory_write", start=6, data="A1 A2 A3 A4")
    assert found["bytes_different"].value == 0
    assert bytes(model(session).cells[29:35]) == bytes.fromhex("00 A1 A2 A3 A4 00")
    with pytest.raises(UsageError, match="counts of charge"):
        run(session, given, "memory_write", start=32, data="01")
    configure(session, accumulators=False)
    assert run(session, given, "memory_write", start=32, data="01")[
        "bytes_different"
    ].holds


def _converted(page: str) -> list[tuple[str, str]]:
    return [("B4", "00"), ("..", "FF"), ("B8 00", ""), ("BE 00", page)]


def test_a_voltage_is_of_the_pin_that_the_selection_names_behind_it(
    script: Make,
) -> None:
    """Blocks of a public report, built: 1.89 V of the input; 5.22 V of the supply.

    Both check bytes are right; only the selection says what was measured.
    """
    of_input, of_supply = "07 80 16 BD 00 03 00 00 E9", "0F 80 16 0A 02 03 00 00 DA"
    for page in (of_input, of_supply):
        assert crc_8(bytes.fromhex(page)) == 0
    for page, of, volts in ((of_input, "input", 1.89), (of_supply, "supply", 5.22)):
        found = quantities(0x26)["voltage"].read(script(0x26, _converted(page)))
        assert found.value == pytest.approx(volts)
        assert found.evidence["of"] == of


def test_a_selection_that_falls_back_is_no_voltage_of_the_input(live: Make) -> None:
    """Selected, read back, converted: then the part's supply dips and the default is back."""
    session = live(0x26, input_v=1.89, supply_v=5.22)
    configure(session, voltage_input="input")
    assert read(session, "voltage") == pytest.approx(1.89)
    model(session).cells[0] |= 0x08
    with pytest.raises(
        ReadingImplausible, match=r"5\.22 V is the voltage of the supply"
    ) as fell:
        read(session, "voltage")
    assert fell.value.cause == "configuration"
    configure(session, voltage_input="input")
    assert read(session, "voltage") == pytest.approx(1.89)
    configure(session, voltage_input="supply")
    assert read(session, "voltage") == pytest.approx(5.22)
