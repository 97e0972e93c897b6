"""Bridge to I2C 19h: packets byte by byte, parts behind it, refusals, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    StillBusy,
    UsageError,
)
from harness.families.bridges import packets as i2c_packets
from harness.families.hazard import Hazard
from harness.families.registry import checks, family_of, quantities
from harness.records import Outcome
from harness.wire.crc import crc16_holds
from tests.outside_crc import crc_16

Make = Callable[..., Any]

WRITE = "4B A0 03 00 12 34 7D 6E"
WRITE_READ = "2D A0 02 00 10 04 74 20"
READ = "87 A1 04 37 85"
"""Computed from the packets of the part DS28E17 as forum threads show them; the part is at 50h."""


def slots(*, busy: int, answer: str) -> str:
    """An answer as slots of whole bytes: ones, a zero, the bytes, ones to the end."""
    data = bytes.fromhex(answer)
    bits = [1] * busy + [0]
    bits += [byte >> place & 1 for byte in data for place in range(8)]
    bits += [1] * (-len(bits) % 8 + 64)
    packed = bytes(
        sum(bit << place for place, bit in enumerate(bits[at : at + 8]))
        for at in range(0, len(bits), 8)
    )
    return packed.hex()


def read(session: Any, name: str) -> Any:  # noqa: ANN401 - any session, any scalar
    """A quantity's value."""
    return quantities(0x19)[name].read(session).value


def run(session: Any, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(0x19)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def configure(session: Any, **settings: Any) -> Any:  # noqa: ANN401
    """Configure the bridge."""
    configured = family_of(0x19).configure
    assert configured is not None
    return configured(session, settings, False)


def part(session: DeviceSession, address: int) -> Any:  # noqa: ANN401 - any part
    """A simulated part behind the bridge."""
    return session._bus.adapter.port.bench.stations[0].device.parts[address]


@pytest.mark.parametrize("busy", [0, 3, 8, 40])
def test_worked_write(script: Make, busy: int) -> None:
    """Write 00 12 34 to 50h, however long the bridge is busy."""
    session = script(0x19, [(WRITE, slots(busy=busy, answer="00 00"))])
    i2c_packets.write(session, 0x50, bytes.fromhex("00 12 34"))
    assert session.lines == []


def test_worked_read_and_write_read(script: Make) -> None:
    """Read 4; write pointer 0010h and read DE AD BE EF, twice."""
    session = script(0x19, [(READ, slots(busy=2, answer="00 01 02 03 04"))])
    assert i2c_packets.read(session, 0x50, 4) == bytes.fromhex("01 02 03 04")
    line = (WRITE_READ, slots(busy=5, answer="00 00 DE AD BE EF"))
    session = script(0x19, [line, line])
    got = i2c_packets.read_register(session, 0x50, b"\x00\x10", 4)
    assert got == bytes.fromhex("DEADBEEF")
    assert session.lines == []


def test_worked_packets_have_a_right_crc() -> None:
    """The CRC-16 of this package accepts all worked packets and the two captures."""
    for packet in (
        WRITE,
        WRITE_READ,
        READ,
        "5A A0 02 00 10 25 FE",
        "69 02 AA BB 7D 70",
        "78 01 CC 7E 23",
        "4B 80 02 40 01 23 F1",
        "4B 80 02 40 02 63 F0",
    ):
        assert crc16_holds(bytes.fromhex(packet))


def test_long_write_goes_in_parts(script: Make) -> None:
    """5Ah, 69h, 78h: 600 bytes in one I2C transfer."""
    data = bytes(n & 0xFF for n in range(600))
    lines = []
    for head, piece in (
        (b"\x5a\xa0\xff", data[:255]),
        (b"\x69\xff", data[255:510]),
        (b"\x78\x5a", data[510:]),
    ):
        packet = head + piece
        check = crc_16(packet).to_bytes(2, "little")
        lines.append(((packet + check).hex(), slots(busy=9, answer="00 00")))
    session = script(0x19, lines)
    i2c_packets.write(session, 0x50, data)
    assert session.lines == []


@pytest.mark.parametrize(
    ("answer", "error", "words"),
    [
        ("02 FF", DeviceAbsent, "acknowledges the I2C address 50h"),
        ("01 FF", CheckValueWrong, "wrong CRC-16"),
        ("08 FF", AnswerImpossible, "no valid start"),
        ("00 02", AnswerImpossible, "byte 2 of 3"),
        ("00 FF", AnswerImpossible, "none that the bridge has"),
        ("02 00", AnswerImpossible, "none that the bridge has"),
        ("04 FF", AnswerImpossible, "none that the bridge has"),
        ("00 00 00", AnswerImpossible, "behind its answer"),
    ],
)
def test_each_refusal_has_its_words(
    script: Make, answer: str, error: type[Exception], words: str
) -> None:
    """Status and write status as the facts list them, and those that cannot be."""
    session = script(0x19, [(WRITE, slots(busy=2, answer=answer))])
    with pytest.raises(error, match=words):
        i2c_packets.write(session, 0x50, bytes.fromhex("00 12 34"))


def test_busy_for_ever_and_silence(script: Make) -> None:
    """Only ones: busy if the bridge answers its ROM code, else absent."""
    for present, error in ((True, StillBusy), (False, DeviceAbsent)):
        lines = [(WRITE, "FF" * 8), *[("..", "FF" * 8)] * 510]
        session = script(0x19, lines)
        session.present = present
        with pytest.raises(error):
            i2c_packets.write(session, 0x50, bytes.fromhex("00 12 34"))


def test_what_no_check_can_catch(script: Make) -> None:
    """A refusal whose only set bit is flipped away: 8 of 8 numbers that are a power of two.

    Reading back finds those.
    """
    unseen = 0
    for place in range(8):
        refused = bytearray.fromhex(slots(busy=0, answer=f"00 {1 << place:02X}"))
        refused[(9 + place) // 8] ^= 1 << (9 + place) % 8
        i2c_packets.write(
            script(0x19, [(WRITE, refused.hex())]), 0x50, bytes.fromhex("00 12 34")
        )
        unseen += 1
    assert unseen == 8


# -- live --------------------------------------------------------------------------


def test_revision_and_speeds(live: Make, given: Make) -> None:
    """Read, chosen, all three tried, the one in force restored."""
    session = live(0x19)
    assert read(session, "revision") == "31"
    assert read(session, "speed_khz") == 400
    configure(session, speed_khz=100)
    assert all(m.holds for m in run(session, given, "speed_settings").values())
    assert read(session, "speed_khz") == 100
    with pytest.raises(UsageError, match="speed_khz"):
        configure(session, speed_khz=1000)


def test_scan_finds_the_parts(live: Make, given: Make) -> None:
    """An EEPROM at 50h and a thermometer at 48h, nobody else."""
    session = live(0x19)
    found = run(session, given, "i2c_scan", first=0x40, last=0x57, wanted="48 50")
    assert found["i2c_addresses"].holds
    wrong = run(session, given, "i2c_scan", first=0x50, last=0x57, wanted="50 51")
    assert not wrong["i2c_addresses"].holds
    assert read(live(0x19, i2c=[]), "i2c_addresses") == "none"


def test_thermometer_behind_the_bridge(live: Make, given: Make) -> None:
    """Its temperature as a number with limits, below zero too."""
    session = live(0x19)
    part(session, 0x48).temperature_degc = -12.5
    options = {"address": 0x48, "pointer": "00", "scale": 1 / 256, "unit": "degC"}
    value = run(session, given, "i2c_value", **options, low=-13, high=-12)["value"]
    assert (value.value, value.unit, value.holds) == (-12.5, "degC", True)
    assert not run(session, given, "i2c_value", **options, low=0)["value"].holds


def test_eeprom_behind_the_bridge(live: Make, given: Make) -> None:
    """Written, polled until it acknowledges, read back; the wait is reported."""
    session = live(0x19)
    found = run(
        session,
        given,
        "i2c_write",
        address=0x50,
        data="00 40 CA FE BA BE",
        pointer_bytes=2,
    )
    assert found["bytes_different"].holds
    assert found["ready_after"].value > 3
    assert bytes(part(session, 0x50).cells[0x40:0x44]) == bytes.fromhex("CAFEBABE")
    content = run(
        session,
        given,
        "i2c_register",
        address=0x50,
        pointer="00 40",
        length=4,
        wanted="CA FE BA BE",
    )["content"]
    assert content.holds


def test_plain_read_moves_on(live: Make, given: Make) -> None:
    """An EEPROM's own pointer moves: two readings differ, one is as asked for."""
    session = live(0x19, i2c=[{"part": "eeprom", "content": "01 02 03 04"}])
    with pytest.raises(CheckValueWrong, match="differ"):
        run(session, given, "i2c_read", address=0x50, length=2)
    found = run(
        session, given, "i2c_read", address=0x50, length=2, twice=False, wanted="FF FF"
    )
    assert found["content"].holds
    with pytest.raises(UsageError, match="as many bytes"):
        run(live(0x19), given, "i2c_read", address=0x48, length=2, wanted="01")


def test_longest_packet(live: Make, given: Make) -> None:
    """255 bytes in one answer."""
    session = live(0x19, i2c=[{"part": "eeprom", "content": "5A " * 255}])
    found = run(
        session,
        given,
        "i2c_register",
        address=0x50,
        pointer="00 00",
        length=255,
        wanted="5A " * 254 + "5A",
    )
    assert found["content"].holds


def test_refusals_are_told(live: Make, given: Make) -> None:
    """Absent address, wrong CRC-16, a byte that is not acknowledged."""
    session = live(0x19)
    assert all(m.holds for m in run(session, given, "absent_address").values())
    assert all(m.holds for m in run(session, given, "wrong_crc").values())
    found = run(session, given, "absent_address", address=0x50)
    assert not found["status"].holds
    with pytest.raises(AnswerImpossible, match="byte 1 of 2"):
        run(session, given, "i2c_write", address=0x48, data="07 01")
    with pytest.raises(DeviceAbsent, match="51h"):
        run(session, given, "i2c_read", address=0x51)


def test_part_that_stays_busy(live: Make, given: Make) -> None:
    """Not ready within the time is an error, not a success."""
    session = live(0x19, i2c=[{"part": "eeprom", "write_ms": 50}])
    with pytest.raises(StillBusy, match="does not acknowledge"):
        run(
            session,
            given,
            "i2c_write",
            address=0x50,
            data="00 00 01",
            pointer_bytes=2,
            within_s=0.02,
        )


def test_row_that_rolls_over_is_found(live: Make, given: Make) -> None:
    """More than a row: the part wraps inside it, read-back counts what is wrong."""
    session = live(0x19)
    found = run(
        session,
        given,
        "i2c_write",
        address=0x50,
        data="00 00 " + " ".join(f"{n:02X}" for n in range(40)),
        pointer_bytes=2,
    )
    assert not found["bytes_different"].holds
    with pytest.raises(UsageError, match="are the pointer"):
        run(session, given, "i2c_write", address=0x50, data="00", pointer_bytes=1)
    with pytest.raises(UsageError, match="more is a write"):
        run(session, given, "i2c_register", address=0x50, pointer="00 00 00")


def test_writing_behind_it_needs_its_hazard(
    run_plan: Make, bench_data: Make, new_device: Make
) -> None:
    """Refused before anything is sent unless named and allowed."""
    data = bench_data([new_device(0x19, 5)])
    steps = [
        {
            "check": {
                "function": "i2c_write",
                "with": {"address": 0x50, "data": "00 00 01", "pointer_bytes": 2},
                "hazard": ["behind-bridge"],
            }
        }
    ]
    with pytest.raises(UsageError, match="does not allow"):
        run_plan(steps, data)
    ran = run_plan(steps, data, allow=frozenset({Hazard.BEHIND_BRIDGE}))
    assert ran.shown("1", "S1").outcome is Outcome.PASSED
