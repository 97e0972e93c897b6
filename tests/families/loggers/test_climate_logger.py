"""Logger 41h: setup byte by byte, missions, calibration, what must never be done."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from harness.clock import Clock
from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    ReadingImplausible,
    UsageError,
)
from harness.families.loggers.climate import memory as climate_memory
from harness.families.loggers.climate import mission as climate_mission
from harness.families.loggers.climate.log import model_of, read_log
from harness.families.loggers.climate.scales import MODELS
from harness.families.registry import checks, quantities
from harness.wire.crc import crc16_holds
from tests.outside_crc import crc_8, crc_16

Make = Callable[..., Any]

NO = "FF " * 8
SETUP = (
    "00 30 12 15 09 25 0A 00 52 5C 00 FF FF FF FF FF 00 FC 03 CF FF FF 00 00 00 "
    "FF FF FF FF FF FF FF"
)
LOG = "84 60 84 80 " + "00 " * 28 + "37 10"
"""Computed from data sheet DS1923 p. 16-24 (both 16 bit, every 10 s)."""


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(0x41)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(0x41)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def pages(*blocks: bytes) -> str:
    """Two register pages as the device sends them, check values by crccheck."""
    covered = bytes.fromhex("69 00 02")
    sent = b""
    for block in blocks:
        sent += block + crc_16(covered + block).to_bytes(2, "little")
        covered = b""
    return sent.hex()


def registers(**changes: int) -> tuple[bytes, bytes]:
    """Register pages of an idle logger with temperature and humidity; ``r15=0xC2``."""
    first, second = bytearray.fromhex(SETUP), bytearray(32)
    first[0x14:0x16] = b"\x00\xc0"
    second[0x06] = 0x20
    for name, value in changes.items():
        place = int(name[1:], 16)
        (first if place < 0x20 else second)[place % 0x20] = value
    return bytes(first), bytes(second)


ASK = f"69 00 02 {NO}"


# -- worked transactions -------------------------------------------------------------


def test_worked_setup(script: Make) -> None:
    """Page, check A5 FA, read-back with E1 68, copy with eight FFh, AA."""
    lines = [
        (f"0F 00 02 {SETUP}", "A5 FA"),
        ("AA", f"00 02 1F {SETUP} E1 68"),
        (f"99 00 02 1F {NO}", "AA"),
        ("AA", "00 02 9F"),
        ("AA", "00 02 9F"),
    ]
    session = script(0x41, lines)
    climate_memory.write_setup(session, bytes.fromhex(SETUP))
    assert session.lines == []


@pytest.mark.parametrize(("code", "status"), [("33", 0xC0), ("96", 0xC8), ("CC", 0xC2)])
def test_worked_commands(script: Make, code: str, status: int) -> None:
    """Stop, clear, start: command, eight FFh, FFh; the status of data sheet DS1923."""
    session = script(
        0x41, [(f"{code} {NO} FF", ""), (ASK, pages(*registers(r15=status)))]
    )
    climate_memory.command(session, int(code, 16))
    assert climate_memory.read_registers(session).status == status
    assert session.lines == []


def test_worked_log(script: Make) -> None:
    """69 00 10: 25.1875 and 25.25 degC, CRC 37 10 without the password; humidity 60.97."""
    block = b"".join(registers(r13=0xCF, r20=2))
    held = climate_memory.ClimateRegisters(block=block)
    humidity = bytes.fromhex("90 50 90 50") + bytes(28)
    check = crc_16(bytes.fromhex("69 00 20") + humidity)
    lines = [
        (f"69 00 10 {NO}", LOG),
        (f"69 00 20 {NO}", (humidity + check.to_bytes(2, "little")).hex()),
    ]
    session = script(0x41, lines)
    flat = ((60.0, 0.0), (0.0, 0.0), (30.0, 0.0))
    session.memory["calibration_points"] = (flat, flat)
    degc, rh = read_log(session, held)
    assert degc == pytest.approx([25.1875, 25.25])
    assert rh == pytest.approx([60.97, 60.97], abs=0.01)
    assert model_of(held).name == "temperature and humidity"


def test_worked_transactions_have_a_right_crc() -> None:
    """The CRC-16 of this package accepts what the examples print."""
    for text in (
        f"0F 00 02 {SETUP} A5 FA",
        f"AA 00 02 1F {SETUP} E1 68",
        f"69 00 10 {LOG}",
    ):
        assert crc16_holds(bytes.fromhex(text))


class Noon:
    """The host's time of the worked example."""

    def now_s(self) -> float:
        """Stands still."""
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """Nothing waits here."""

    def calendar(self) -> datetime:
        """2025-09-15 12:30."""
        return datetime(2025, 9, 15, 12, 30, tzinfo=UTC)


def test_setup_page_of_the_worked_example(script: Make, given: Make) -> None:
    """Every 10 s, 0 to 5 degC, both with 16 bits: the worked page, alarms enabled."""
    session = script(0x41, [])
    clock: Clock = Noon()
    session._clock = clock
    options = given(checks(0x41)["mission"], low_degc=0, high_degc=5)
    page = climate_mission.setup_page(session, options, MODELS[0x20])
    wanted = bytearray.fromhex(SETUP)
    wanted[0x10] = 0x03  # the example leaves the alarms off
    assert page == bytes(wanted)
    for given_options, kind, words in (
        ({"low_degc": -60}, 0x20, "-41 to"),
        ({"humidity": True}, 0x40, "does not measure humidity"),
    ):
        options = given(checks(0x41)["mission"], **given_options)
        with pytest.raises(UsageError, match=words):
            climate_mission.setup_page(session, options, MODELS[kind])


# -- flips and other answers that cannot be ------------------------------------------


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"r15": 0x80}, "fixed bits"),
        ({"r13": 0x0F}, "fixed bits"),
        ({"r14": 0x80}, "lost its supply"),
        ({"r27": 0xAA}, "passwords are on"),
    ],
)
def test_units_to_reject(script: Make, changes: dict[str, int], words: str) -> None:
    """Fixed bits, brown-out, passwords."""
    session = script(0x41, [(ASK, pages(*registers(**changes)))])
    with pytest.raises(AnswerImpossible, match=words):
        climate_memory.read_registers(session)


@pytest.mark.parametrize("name", ["temperature", "humidity"])
def test_no_conversion_while_the_oscillator_is_off(script: Make, name: str) -> None:
    """It would leave the part dead: refused, and 55h is never sent."""
    session = script(0x41, [(ASK, pages(*registers(r12=0x02)))])
    with pytest.raises(AnswerImpossible, match="nothing was sent"):
        read(session, name)
    assert session.lines == []


def test_no_mission_while_the_oscillator_is_off(script: Make) -> None:
    """Written on and read back off: the start is never sent."""
    lines = [
        (f"0F 00 02 {SETUP}", "A5 FA"),
        ("AA", f"00 02 1F {SETUP} E1 68"),
        (f"99 00 02 1F {NO}", "AA"),
        *[("AA", "00 02 9F")] * 2,
        (ASK, pages(*registers(r12=0x02))),
    ]
    session = script(0x41, lines)
    with pytest.raises(AnswerImpossible, match="oscillator is off"):
        climate_memory.start(session, bytes.fromhex(SETUP))


# -- live --------------------------------------------------------------------------


def test_readings_are_corrected(live: Make) -> None:
    """The sensors' errors go by the part's own calibration; evidence has both."""
    session = live(
        0x41,
        temperature_degc=-12.5,
        humidity_rh=60,
        sensor_error_degc=0.5,
        sensor_error_rh=-3,
    )
    answer = quantities(0x41)["temperature"].read(session)
    assert answer.value == pytest.approx(-12.5, abs=0.07)
    assert answer.evidence == {"uncorrected_degc": -12.0, "corrected": True}
    assert read(session, "humidity") == pytest.approx(60, abs=0.15)


@pytest.mark.parametrize(
    ("kind", "name"), [("T", "temperature, T"), ("E", "temperature, E")]
)
def test_other_models(live: Make, kind: str, name: str) -> None:
    """Other zero, no humidity, no correction."""
    session = live(0x41, model=kind, temperature_degc=70, sensor_error_degc=1)
    assert read(session, "logger_model") == name
    assert read(session, "temperature") == 71
    with pytest.raises(UsageError, match="does not measure humidity"):
        read(session, "humidity")


def test_conversion_that_did_not_happen(live: Make) -> None:
    """The lifetime counter stands still: the values shown are old."""
    session = live(0x41)
    model(session)._forced = lambda: None
    with pytest.raises(ReadingImplausible, match="did not happen"):
        read(session, "temperature")


def test_short_mission(live: Make, given: Make) -> None:
    """Oscillator started, cleared, set, sampled, stopped: log of both within limits."""
    session = live(0x41, temperature_degc=4, humidity_rh=45, oscillator_on=False)
    found = run(
        session,
        given,
        "mission",
        samples=4,
        low_degc=2,
        high_degc=8,
        low_rh=40,
        high_rh=50,
    )
    assert all(value.holds for value in found.values())
    assert found["mission_samples"].value >= 4
    assert found["log_lowest"].value == pytest.approx(4, abs=0.05)
    assert found["humidity_log_highest"].value == pytest.approx(45, abs=0.2)
    assert read(session, "mission_start").startswith("2024-01-01T00:00:")
    assert not model(session).is_dead
    again = run(session, given, "log", high_degc=3)
    assert not again["log_highest"].holds


@pytest.mark.parametrize("fine", [True, False])
def test_mission_of_temperature_alone(live: Make, given: Make, *, fine: bool) -> None:
    """Eight or sixteen bits from 1000h on, a part without humidity."""
    session = live(0x41, model="L", temperature_degc=4.5)
    found = run(session, given, "mission", samples=3, period_s=1, fine=fine)
    assert found["log_lowest"].value == pytest.approx(4.5, abs=0.07)
    assert "humidity_log_samples" not in found


def test_alarms(live: Make, given: Make) -> None:
    """Too warm all along: flag in the mission, limit of the log, alarm check."""
    session = live(0x41, temperature_degc=12)
    found = run(session, given, "mission", samples=2, low_degc=2, high_degc=8)
    assert found["flags"].value == "high"
    assert not found["log_highest"].holds
    assert not run(session, given, "alarms")["flags"].holds
    assert run(session, given, "alarms", wanted="high")["flags"].holds
    assert "high flag" in read(session, "logger_status")


def test_mission_without_samples(live: Make, given: Make) -> None:
    """Mission flag set and nothing is ever sampled; stopped afterwards."""
    session = live(0x41)
    model(session).cell_is_empty = True
    with pytest.raises(ReadingImplausible, match="0 samples") as raised:
        run(session, given, "mission")
    assert raised.value.cause == "device"
    assert raised.value.facts["place"] == "bit 0 of 0212h, 1 runs"
    assert not model(session).registers[0x15] & 0x02


def test_mission_that_does_not_start(live: Make, given: Make) -> None:
    """Mission flag stays 0."""
    session = live(0x41)
    model(session)._begin_mission = lambda: None
    with pytest.raises(AnswerImpossible, match="does not run"):
        run(session, given, "mission")


def test_stop_ends_a_mission(live: Make, given: Make) -> None:
    """The log stays; a reading is refused before and given after."""
    session = live(0x41)
    climate_memory.clear(session)
    options = given(checks(0x41)["mission"])
    setup = climate_mission.setup_page(session, options, MODELS[0x20])
    climate_memory.start(session, setup)
    session.clock.sleep(25)
    with pytest.raises(ReadingImplausible, match="mission is in progress"):
        read(session, "temperature")
    with pytest.raises(ReadingImplausible, match="mission is in progress"):
        run(session, given, "clock_set")
    check = checks(0x41)["mission_stop"]
    found = check.run(session, given(check))
    progress, samples = found.measurements
    assert progress.holds
    assert samples.value == 3
    assert found.evidence == {"status_before": "C2"}
    assert read(session, "temperature") == pytest.approx(21, abs=0.07)


def test_calibration(live: Make, given: Make) -> None:
    """Holds and small; too large a correction; a wrong check byte; zeros."""
    session = live(0x41, sensor_error_degc=0.5)
    found = run(session, given, "calibration")
    assert found["largest_correction"].value == pytest.approx(0.5)
    assert not run(session, given, "calibration", most_degc=0.3)[
        "largest_correction"
    ].holds
    device = model(session)
    device.calibration[3] ^= 0x20
    for _ in range(2):
        with pytest.raises(CheckValueWrong, match="check byte"):
            run(session, given, "calibration")
        device.calibration[:] = bytes(32)
    with pytest.raises(CheckValueWrong, match="check byte"):
        read(session, "temperature")


def test_calibration_whose_points_coincide(live: Make) -> None:
    """A right check byte over a calibration that is none."""
    session = live(0x41)
    page = bytes.fromhex("52 00") * 4 + bytes(23)
    model(session).calibration[:] = page + bytes([crc_8(page)])
    with pytest.raises(CheckValueWrong, match="cannot be used"):
        read(session, "temperature")


@pytest.mark.parametrize("ppm", [-22, 35])
def test_clock_drift(live: Make, given: Make, ppm: int) -> None:
    """Measured within its stated doubt over half an hour."""
    drift = run(live(0x41, clock_ppm=ppm), given, "clock_drift")["clock_drift"]
    assert drift.holds
    assert drift.value == pytest.approx(ppm, abs=drift.uncertainty + 0.1)


def test_clock_is_set_from_the_host(live: Make, given: Make) -> None:
    """Right to a second, oscillator started."""
    session = live(0x41, clock="2019-06-01T08:00:00Z", oscillator_on=False)
    assert run(session, given, "clock_set")["clock_offset"].holds
    assert read(session, "clock").startswith("2024-01-01T00:00:0")


def test_user_memory(live: Make, given: Make) -> None:
    """Across two pages, neighbours untouched; patterns are put back."""
    session = live(0x41)
    run(session, given, "memory_write", start=30, data="01 02 03 04 05")
    assert bytes(model(session).cells[29:36]) == bytes.fromhex("00 0102030405 00")
    found = run(session, given, "memory_pattern", start=16, length=32)
    assert found["bits_wrong"].value == 0
    assert bytes(model(session).cells[29:36]) == bytes.fromhex("00 0102030405 00")


@pytest.mark.parametrize(
    ("registers_", "words"),
    [({0x13: 0xC7}, "side by side"), ({0x13: 0xCF, 0x21: 0x20}, "full or overwritten")],
)
def test_logs_that_are_not_read(
    live: Make, given: Make, registers_: dict[int, int], words: str
) -> None:
    """Mixed widths, and a log beyond its room."""
    session = live(0x41)
    for place, value in registers_.items():
        model(session).registers[place] = value
    with pytest.raises(UsageError, match=words):
        run(session, given, "log")
