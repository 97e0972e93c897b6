"""Temperature logger 21h: registers byte by byte, missions, clock, noise."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    ReadingImplausible,
    UsageError,
)
from harness.families.hazard import Hazard
from harness.families.loggers import memory as logger_memory
from harness.families.registry import checks, quantities
from harness.records import Outcome
from harness.wire.crc import crc16_holds
from tests.outside_crc import crc_16

Make = Callable[..., Any]

REGISTERS = (
    "00 30 12 01 15 09 25 00 00 00 00 46 82 01 06 00 00 83 00 00 A0 31 12 15 09 25 "
    "03 00 00 2A 00 00 BE 97"
)
LOG = "83 84 86 " + "00 " * 29 + "6B B4"
"""Computed from the register map of data sheet DS1921G p. 10-11."""

IDLE = bytearray.fromhex(REGISTERS[:-6])
IDLE[0x14] = 0x80


def page(block: bytes | bytearray, address: int = 0x200) -> str:
    """A page as the device sends it, its check value by crccheck."""
    opening = b"\xa5" + address.to_bytes(2, "little")
    check: bytes = crc_16(opening + bytes(block)).to_bytes(2, "little")
    return (bytes(block) + check).hex()


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(0x21)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(0x21)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated part
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


# -- worked transactions -------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("clock", "2025-09-15T12:30:00+00:00"),
        ("mission_start", "2025-09-15T12:31:00+00:00"),
        ("mission_samples", 3),
        ("lifetime_samples", 42),
        ("logger_status", "mission in progress"),
    ],
)
def test_worked_registers(script: Make, name: str, value: object) -> None:
    """A5 00 02 and what the page means."""
    session = script(0x21, [("A5 00 02", REGISTERS)])
    assert read(session, name) == value


def test_worked_log(script: Make) -> None:
    """Three samples, 25.5, 26.0 and 27.0 degC, then an all-zero page with CRC FF FF."""
    registers = logger_memory.LoggerRegisters(block=bytes.fromhex(REGISTERS)[:32])
    session = script(0x21, [("A5 00 10", LOG)])
    assert logger_memory.read_log(session, registers) == [25.5, 26.0, 27.0]
    session = script(0x21, [("A5 00 10", LOG + "00 " * 32 + "FF FF")])
    assert logger_memory.read_pages(session, 0x1000, 2)[3:] == bytes(61)


@pytest.mark.parametrize(
    ("sent", "staged", "copied"),
    [
        ("0F 14 02 00", "14 02 14 00", "55 14 02 14"),
        (
            "0F 00 02 00 30 12 01 15 09 25",
            "00 02 06 00 30 12 01 15 09 25",
            "55 00 02 06",
        ),
        ("0F 0B 02 46 82 01", "0B 02 0D 46 82 01", "55 0B 02 0D"),
        (
            "0F 0E 02 06 00 00 00 00 00 00",
            "0E 02 14 06 00 00 00 00 00 00",
            "55 0E 02 14",
        ),
    ],
)
def test_worked_register_writes(
    script: Make, sent: str, staged: str, copied: str
) -> None:
    """Stop, clock, thresholds with period, search bits with delay and flags."""
    after = f"{staged[:6]} {int(staged[6:8], 16) | 0x80:02X}"
    lines = [(sent, ""), ("AA", staged), (copied, "AA"), ("AA", after), ("AA", after)]
    data = bytes.fromhex(sent)
    session = script(0x21, lines)
    address = int.from_bytes(data[1:3], "little")
    logger_memory.write_registers(session, address, data[3:])
    assert session.lines == []


def test_worked_clear_comes_straight_after_its_enabling(script: Make) -> None:
    """0F 0E 02 40, AA, 55 0E 02 0E, 3C: no command between the last two."""
    cleared = bytearray(IDLE)
    cleared[0x14] = 0xC0
    lines = [
        ("0F 0E 02 40", ""),
        ("AA", "0E 02 0E 40"),
        ("55 0E 02 0E", ""),
        ("3C", ""),
        ("A5 00 02", page(cleared)),
    ]
    session = script(0x21, lines)
    logger_memory.clear(session)
    assert session.lines == []
    lines[-1] = ("A5 00 02", page(IDLE))
    with pytest.raises(AnswerImpossible, match="not cleared"):
        logger_memory.clear(script(0x21, lines))


def test_worked_transactions_have_a_right_crc() -> None:
    """The CRC-16 of this package accepts what the examples print."""
    for opening, text in (("A5 00 02", REGISTERS), ("A5 00 10", LOG)):
        assert crc16_holds(bytes.fromhex(opening + text))


@pytest.mark.parametrize(
    ("code", "raw", "degc"),
    [
        (0x000, 0x46, -5.0),
        (0x000, 0x82, 25.0),
        (0x3B2, 0x2C, 0.0),
        (0x3B2, 0x7C, 10.0),
        (0x4F2, 0x00, 14.5),
    ],
)
def test_conversion_of_each_range(
    script: Make, code: int, raw: int, degc: float
) -> None:
    """Data sheet DS1921H/Z p. 39 for the Z kind, facts 2.1; the H kind from memory."""
    session = script(0x21, [], serial=code << 36 | 5)
    scale = logger_memory.range_of(session)
    assert (scale.degc(raw), scale.raw(degc)) == (degc, raw)
    with pytest.raises(UsageError, match="outside the device's range"):
        scale.raw(200)


# -- flips and other answers that cannot be ------------------------------------------


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        (0x0F, 0x01, "never set"),
        (0x14, 0x88, "never set"),
        (0x01, 0x7A, "no pair"),
        (0x04, 0x32, "no date"),
    ],
)
def test_registers_that_cannot_be(
    script: Make, place: int, value: int, words: str
) -> None:
    """A right check value and a content that is none."""
    block = bytearray(IDLE)
    block[place] = value
    with pytest.raises(AnswerImpossible, match=words):
        read(script(0x21, [("A5 00 02", page(block))]), "clock")


def test_clock_of_twelve_hours(script: Make) -> None:
    """Bit 6 of the hour: 12 h; bit 5 then: afternoon. 12 at night is 0."""
    for hour, wanted in ((0x72, "12:"), (0x52, "00:"), (0x61, "13:"), (0x51, "11:")):
        block = bytearray(IDLE)
        block[2] = hour
        session = script(0x21, [("A5 00 02", page(block))])
        assert f"T{wanted}" in read(session, "clock")


# -- live --------------------------------------------------------------------------


def test_forced_conversion(live: Make) -> None:
    """Measured, and counted in the lifetime; refused while a mission runs."""
    session = live(0x21, temperature_degc=-12.5)
    before = read(session, "lifetime_samples")
    assert read(session, "temperature") == -12.5
    assert read(session, "lifetime_samples") == before + 1
    model(session)._convert = lambda: None
    with pytest.raises(ReadingImplausible, match="did not happen"):
        read(session, "temperature")
    model(session).registers[0x14] |= 0x20
    with pytest.raises(ReadingImplausible, match="mission is in progress"):
        read(session, "temperature")


def test_short_mission(live: Make, given: Make) -> None:
    """Stopped, cleared, set, started, sampled, stopped: log, histogram and counters."""
    session = live(0x21, temperature_degc=4.0, oscillator_on=False)
    found = run(session, given, "mission", samples=3, low_degc=2, high_degc=8)
    assert all(value.holds for value in found.values())
    assert found["mission_samples"].value == 3
    assert (found["log_lowest"].value, found["log_highest"].value) == (4.0, 4.0)
    assert found["histogram_sum"].value == 3
    assert found["low_alarms"].value == found["high_alarms"].value == 0
    assert read(session, "mission_start").startswith("2024-01-01T00:0")
    assert run(session, given, "log")["log_samples"].value == 3


def test_mission_that_gets_too_warm(live: Make, given: Make) -> None:
    """One sample of three above the threshold: log, alarm, flag and limit say so."""
    session = live(0x21, temperature_degc=5.0)
    device = model(session)
    plain = device._sample

    def sample(mission: int) -> None:
        device.temperature_degc = 12.0 if device.registers[0x1A] == 1 else 5.0
        plain(mission)

    device._sample = sample
    found = run(session, given, "mission", samples=3, low_degc=2, high_degc=8)
    assert (found["log_highest"].value, found["log_highest"].holds) == (12.0, False)
    assert found["high_alarms"].value == 1
    assert found["flags"].value == "high"
    alarms = run(session, given, "alarms")
    assert not alarms["high_alarms"].holds
    assert alarms["low_alarms"].holds


def test_histogram_that_does_not_add_up(live: Make, given: Make) -> None:
    """A bin too many fails; a full bin cannot be judged from below."""
    session = live(0x21)
    run(session, given, "mission", samples=2)
    device = model(session)
    assert run(session, given, "histogram")["histogram_sum"].holds
    device.histogram[3] += 1
    assert not run(session, given, "histogram")["histogram_sum"].holds


def test_rolled_over_log_is_put_in_order(live: Make) -> None:
    """2050 samples with overwriting: the oldest two are gone, the rest in order."""
    session = live(0x21)
    device = model(session)
    for number in range(2050):
        device.log[number % 2048] = number % 200
    device.registers[0x1A:0x1D] = (2050).to_bytes(3, "little")
    device.registers[0x0E] |= 0x08
    registers = logger_memory.read_registers(session)
    log = logger_memory.read_log(session, registers)
    assert len(log) == 2048
    assert log == [number % 200 / 2 - 40 for number in range(2, 2050)]


def test_mission_without_samples(live: Make, given: Make) -> None:
    """Mission flag set and nothing is ever sampled, told within two periods."""
    session = live(0x21)
    model(session).cell_is_empty = True
    with pytest.raises(ReadingImplausible, match="0 samples in") as raised:
        run(session, given, "mission", samples=2)
    assert "oscillator is on" in raised.value.hint
    assert raised.value.cause == "device"
    assert raised.value.facts["samples"] == 0
    assert raised.value.facts["place"] == "bit 7 of 020Eh, 0 runs"
    assert not model(session).registers[0x14] & 0x20


def test_oscillator_and_mission_in_quantities(live: Make) -> None:
    """Bit 7 of 020Eh, 1 is off; the clock's offset cannot be had then."""
    session = live(0x21, oscillator_on=False)
    assert read(session, "oscillator") == "off"
    assert quantities(0x21)["oscillator"].read(session).evidence == {
        "byte": "80",
        "place": "bit 7 of 020Eh, 0 runs",
    }
    assert read(session, "mission") == "none"
    assert read(session, "memory_cleared") is False
    with pytest.raises(ReadingImplausible, match="oscillator is off"):
        read(session, "clock_offset")


def test_clock_offset_against_the_host(live: Make) -> None:
    """Set an hour ahead, it reads an hour ahead."""
    session = live(0x21, clock="2024-01-01T01:00:00Z")
    assert read(session, "clock_offset") == pytest.approx(3600, abs=1.5)


def test_samples_that_are_due(live: Make) -> None:
    """Ten minutes into a mission with a period of two: at least four samples were due."""
    session = live(0x21)
    logger_memory.clear(session)
    logger_memory.start(session, b"\x00\xff", 2, 0x06)
    session.clock.sleep(600)
    facts = quantities(0x21)["mission"].read(session).evidence
    assert facts["samples_due"] == 4
    assert facts["samples"] >= facts["samples_due"]


def test_mission_that_does_not_start(live: Make, given: Make) -> None:
    """Mission flag stays 0."""
    session = live(0x21)
    model(session)._begin_mission = lambda: None
    with pytest.raises(AnswerImpossible, match="does not run: no mission"):
        run(session, given, "mission")


def test_stopping_keeps_the_log(live: Make, given: Make) -> None:
    """The mission ends, its samples stay; stopping twice does no harm."""
    session = live(0x21, temperature_degc=6)
    logger_memory.start_oscillator(session)
    logger_memory.write_clock(session, datetime(2025, 9, 15, 12, 30, tzinfo=UTC))
    logger_memory.clear(session)
    logger_memory.start(session, bytes([0x46, 0x82]), 1, 0x06)
    session.clock.sleep(200)
    assert read(session, "logger_status") == "mission in progress"
    for _ in range(2):
        found = run(session, given, "mission_stop")
        assert found["mission_in_progress"].holds
        assert found["mission_samples"].value == 3
    assert run(session, given, "log")["log_samples"].value == 3
    assert read(session, "logger_status") == "no mission"


def test_clock_is_set_from_the_host(live: Make, given: Make) -> None:
    """Five years off before, right to a second after, oscillator started."""
    session = live(0x21, clock="2019-06-01T08:00:00Z", oscillator_on=False)
    found = run(session, given, "clock_set")
    assert found["clock_offset"].holds
    assert abs(found["clock_offset"].value) < 0.5
    assert read(session, "clock").startswith("2024-01-01T00:00:0")


def test_clock_is_not_set_in_a_mission(live: Make, given: Make) -> None:
    """That would end it."""
    session = live(0x21)
    model(session).registers[0x14] |= 0x20
    with pytest.raises(ReadingImplausible, match="would end it"):
        run(session, given, "clock_set")


@pytest.mark.parametrize("ppm", [-22, 0, 20])
def test_clock_drift(live: Make, given: Make, ppm: int) -> None:
    """-22 ppm is -57 s in 30 days; measured within its stated doubt."""
    session = live(0x21, clock_ppm=ppm)
    found = run(session, given, "clock_drift", for_s=3600)
    drift = found["clock_drift"]
    assert drift.holds
    assert drift.uncertainty is not None
    assert drift.uncertainty < 10
    assert drift.value == pytest.approx(ppm, abs=drift.uncertainty + 0.1)
    month = found["drift_in_30_days"].value
    assert month == pytest.approx(ppm * 2.592, abs=25)


def test_clock_beyond_its_limit(live: Make, given: Make) -> None:
    """100 ppm fast is outside 46 ppm beyond doubt; within a short time it is not."""
    session = live(0x21, clock_ppm=100)
    assert not run(session, given, "clock_drift")["clock_drift"].holds
    assert run(session, given, "clock_drift", for_s=10)["clock_drift"].holds


def test_clock_that_stands_still(live: Make, given: Make) -> None:
    """The oscillator is off."""
    with pytest.raises(ReadingImplausible, match="same second"):
        run(live(0x21, oscillator_on=False), given, "clock_drift")


def test_a_flipped_peek_is_no_tick(live: Make, given: Make) -> None:
    """Peeks have no check value: a second that jumps is an error, not a drift."""
    session = live(0x21)
    calls = 0

    def transact(write: bytes, count: int = 0) -> bytes:
        nonlocal calls
        answer: bytes = DeviceSession.transact(session, write, count)
        if write[0] == 0xF0:
            calls += 1
            if calls == 3:
                return bytes([answer[0] ^ 0x04])
        return answer

    session.transact = transact
    with pytest.raises(CheckValueWrong, match="went from second"):
        run(session, given, "clock_drift")


def test_user_memory(live: Make, given: Make) -> None:
    """Written across pages, read with CRC; registers stay as they are."""
    session = live(0x21)
    found = run(session, given, "memory_write", start=30, data="01 02 03 04 05")
    assert found["bytes_different"].holds
    assert bytes(model(session).cells[29:36]) == bytes.fromhex("00 0102030405 00")
    assert run(session, given, "memory_verify", start=31, data="02 03")[
        "bytes_different"
    ].holds


def test_hazards_of_a_mission(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Both named and allowed, else nothing is sent."""
    data = bench_data([new_device(0x21, 5, temperature_degc=4)])
    step = {
        "function": "mission",
        "with": {"samples": 2, "low_degc": 2, "high_degc": 8},
        "hazard": ["mission-data-loss", "clock-setting"],
    }
    with pytest.raises(UsageError, match="does not allow"):
        run_plan([{"check": step}], data)
    allowed = frozenset({Hazard.MISSION_DATA_LOSS, Hazard.CLOCK_SETTING})
    ran = run_plan([{"check": step}], data, allow=allowed)
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
