"""Thermometers on the simulated line: a reading is right, or it is an error."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import AllDevices, DeviceSession
from harness.errors import (
    AnswerImpossible,
    DeviceAbsent,
    DeviceError,
    ExtraEcho,
    LineError,
    NobodyAnswers,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.family import Family
from harness.families.registry import family_of, quantities
from harness.families.session import Session
from harness.families.thermometers.thermometer import (
    CONVERT,
    convert,
    is_parasite,
    read_scratchpad,
)
from harness.simulation.faults import settings as fs
from harness.wire.romcode import RomCode

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

POWER_ON = bytes.fromhex("50 05 4B 46 7F FF 0C 10 1C")
SWITCHED = {"power": {"supply_on": "rts"}}
STRONG = {
    "power": {"strong_pull_up_on": "rts-without-dtr", "strong_pull_up_ohm": 390},
    "line": {"pull_up_ohm": 4700, "supply_v": 5.0, "cable_m": 1},
}
WEAK = {"line": {"pull_up_ohm": 4700, "supply_v": 5.0, "cable_m": 1}}


def ask(session: Session, quantity: str) -> Any:  # noqa: ANN401 - a scalar of any kind
    """The value of a quantity."""
    return quantities(session.rom.family)[quantity].read(session).value


def configured(session: Session, store: bool = False, **values: float | str) -> Any:  # noqa: ANN401
    """Configure the device."""
    family: Family = family_of(session.rom.family)
    assert family.configure is not None
    return family.configure(session, values, store)


@pytest.mark.parametrize("degc", [-55.0, -10.125, -0.0625, 0.0, 25.0625, 85.0, 125.0])
@pytest.mark.parametrize("family", [0x28, 0x22])
def test_reading(live: Make, family: int, degc: float) -> None:
    """What the device's surroundings have is what is read, a true 85 degC included."""
    assert ask(live(family, temperature_degc=degc), "temperature") == degc


@pytest.mark.parametrize("degc", [-55.0, -25.0, -0.5, 0.0, 25.375, 84.9375, 125.0])
def test_reading_by_counters(live: Make, degc: float) -> None:
    """Family 10h reads sixteenths by its counters."""
    assert ask(live(0x10, temperature_degc=degc), "temperature") == degc


@pytest.mark.parametrize(
    ("bits", "expected"), [(9, 25.0), (10, 25.25), (11, 25.375), (12, 25.4375)]
)
def test_reading_by_resolution(live: Make, bits: int, expected: float) -> None:
    """A coarser resolution drops the bits that it leaves undefined."""
    session = live(0x28, temperature_degc=25.4375, resolution_bits=bits)
    assert ask(session, "resolution") == bits
    assert ask(session, "temperature") == expected


@pytest.mark.parametrize("latency_ms", [1, 4, 16])
@pytest.mark.parametrize("true_ms", [450.0, 590.0, 597.3, 604.9, 745.0])
def test_conversion_time(live: Make, true_ms: float, latency_ms: float) -> None:
    """The time of a conversion is measured by polling, to the doubt that is stated."""
    session = live(
        0x28,
        conversion_ms=true_ms,
        simulation={"adapter": {"latency_ms": latency_ms}},
    )
    answer = quantities(0x28)["conversion_time"].read(session)
    assert answer.uncertainty is not None
    assert answer.uncertainty <= 750 / 64 + 3 * latency_ms + 5
    assert answer.value == pytest.approx(true_ms, abs=answer.uncertainty)


@pytest.mark.parametrize("latency_ms", [1, 16])
def test_slow_but_legal_is_never_called_late(live: Make, latency_ms: float) -> None:
    """749 ms is within the published 750 ms, however late the adapter answers.

    Source: data sheet family 28h p. 8.
    """
    session = live(
        0x28,
        conversion_ms=749.0,
        temperature_degc=4.5,
        simulation={
            "adapter": {"latency_ms": latency_ms},
            "faults": [{"kind": "latency-jitter", "probability": 1, "extra_ms": 60}],
        },
    )
    assert ask(session, "temperature") == 4.5


@pytest.mark.parametrize(
    ("family", "slow_ms"), [(0x28, 830), (0x22, 1200), (0x10, 900)]
)
def test_too_slow(live: Make, family: int, slow_ms: float) -> None:
    """A conversion beyond the published time is still busy, and no old value is read."""
    session = live(family, conversion_ms=slow_ms)
    with pytest.raises(StillBusy, match="published longest 750 ms") as raised:
        ask(session, "temperature")
    assert "supply" in raised.value.hint


def test_convert_not_heard_is_sent_again(scripted: Make) -> None:
    """Busy not seen means not heard: the command goes out once more, then all is well."""
    session = scripted(POWER_ON, [[1], [1], [0], [0], [1]])
    assert convert(session) is not None
    assert session.written.count(bytes([CONVERT])) == 2


def test_convert_never_heard_is_an_absent_device(scripted: Make) -> None:
    """Three commands without busy: absent, since a reading now would be an old one."""
    session = scripted(POWER_ON, [[1]])
    with pytest.raises(DeviceAbsent, match="three convert commands") as raised:
        convert(session)
    assert session.written.count(bytes([CONVERT])) == 3
    assert "old one" in raised.value.hint


def test_device_that_went(live: Make) -> None:
    """A thermometer that drops off is absent or nobody answers; its last value is not repeated."""
    session = live(0x28, temperature_degc=20)
    assert ask(session, "temperature") == 20
    bench = session._bus.adapter.port.bench
    bench.faults.start(fs.DeviceDropsOff(kind="device-drops-off", device="S1"))
    with pytest.raises((NobodyAnswers, DeviceAbsent)):
        ask(session, "temperature")


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_power_on_value_is_no_reading(live: Make, family: int) -> None:
    """85 degC without a conversion is held back, fresh or not."""
    session = live(family)
    reread = quantities(family)["temperature"].reread
    assert reread is not None
    with pytest.raises(ReadingImplausible, match="power-on value") as raised:
        reread(session)
    assert "lost power" in raised.value.hint


@pytest.mark.parametrize("family", [0x28, 0x10])
def test_device_that_restarts_in_its_conversion(live: Make, family: int) -> None:
    """A chip that browns out in each conversion keeps 85 degC and is found out."""
    faults = [{"kind": "stuck-at-power-on", "device": "S1"}]
    session = live(family, simulation={"faults": faults})
    with pytest.raises(DeviceError):
        ask(session, "temperature")


def test_constants_of_its_own(live: Make) -> None:
    """A part whose constants are not the data sheet's, always the same, reads right."""
    faults = [{"kind": "wrong-reserved-bytes", "device": "S1"}]
    session = live(0x28, simulation={"faults": faults})
    assert ask(session, "temperature") == pytest.approx(25, abs=60)
    assert session.memory["own_constants"] == bytes([0x00, 0xAA])


@pytest.mark.parametrize(
    ("supply", "word"), [("external", "external"), ("parasite", "parasite")]
)
def test_power_supply(live: Make, supply: str, word: str) -> None:
    """The device says how it is fed.

    Source: data sheet family 28h p. 12.
    """
    session = live(0x28, supply=supply)
    assert is_parasite(session) is (supply == "parasite")
    assert ask(session, "power_supply") == word


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_parasite_with_strong_pull_up(live: Make, family: int) -> None:
    """Fed through the line with a strong pull-up the reading is right."""
    session = live(family, fixture=STRONG, supply="parasite", temperature_degc=-12.5)
    for _ in range(3):
        assert ask(session, "temperature") == -12.5


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_parasite_without_strong_pull_up(live: Make, family: int) -> None:
    """Through 4.7 kohm alone the chip browns out: never a wrong reading passed as right.

    Source: data sheet family 28h p. 6; 1.5 mA through 4.7 kohm by Ohm's law.
    """
    session = live(family, fixture=WEAK, supply="parasite", temperature_degc=31)
    for _ in range(3):
        with pytest.raises((DeviceError, LineError, ExtraEcho)):
            ask(session, "temperature")


def test_parasite_conversion_time_cannot_be_seen(live: Make) -> None:
    """A parasite-fed device cannot be polled; asking for the time is the plan's mistake."""
    session = live(0x28, fixture=STRONG, supply="parasite")
    with pytest.raises(UsageError, match="cannot be asked"):
        ask(session, "conversion_time")


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_settings_are_written_and_read_back(live: Make, family: int) -> None:
    """Alarms (and resolution) come back as written; what is not set stays."""
    session = live(family)
    configured(session, alarm_high_degc=30)
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (30, 70)
    configured(session, alarm_low_degc=-128)
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (30, -128)
    if family != 0x10:
        configured(session, resolution_bits=10)
        assert ask(session, "resolution") == 10
        assert ask(session, "alarm_high") == 30


@pytest.mark.parametrize("family", [0x28, 0x22, 0x10])
def test_settings_over_a_power_cycle(live: Make, family: int) -> None:
    """Stored settings survive a power cycle, others do not.

    Source: data sheet family 28h p. 7 (EEPROM recalled at power-up).
    """
    session = live(family, fixture=SWITCHED)
    configured(session, store=True, alarm_high_degc=41, alarm_low_degc=-7)
    configured(session, alarm_high_degc=99)
    assert ask(session, "alarm_high") == 99
    adapter = session._bus.adapter
    adapter.switch(supply=False)
    session.clock.sleep(0.5)
    adapter.switch(supply=True)
    session.clock.sleep(0.05)
    assert (ask(session, "alarm_high"), ask(session, "alarm_low")) == (41, -7)
    assert read_scratchpad(session).is_power_on_value


def test_store_on_parasite_power(live: Make) -> None:
    """With the strong pull-up a parasite-fed device stores what is then recalled."""
    session = live(0x28, fixture=STRONG, supply="parasite")
    answer = configured(session, store=True, alarm_high_degc=50, resolution_bits=9)
    assert answer.value == "32 46 1F"
    assert answer.evidence == {"stored": True}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("alarm_high_degc", 128),
        ("alarm_low_degc", -129),
        ("alarm_high_degc", 1.5),
        ("alarm_high_degc", "30"),
        ("alarm_high_degc", True),
        ("resolution_bits", 13),
        ("resolution_bits", 8),
    ],
)
def test_settings_out_of_range(live: Make, key: str, value: Any) -> None:  # noqa: ANN401
    """A value that does not fit is refused and nothing is written."""
    session = live(0x28)
    before = read_scratchpad(session).data
    with pytest.raises(UsageError, match=key):
        configured(session, **{key: value})
    assert read_scratchpad(session).data == before


def test_settings_that_are_not_taken(scripted: Make) -> None:
    """A device that reads back something else did not take the settings."""
    session = scripted(POWER_ON, [[1]])
    with pytest.raises(AnswerImpossible, match="after writing") as raised:
        configured(session, alarm_high_degc=12)
    assert "did not take" in raised.value.hint


def test_common_conversion(open_bus: Make, bench_data: Make, new_device: Make) -> None:
    """One conversion of all, waited for, then each is read without another."""
    temperatures = {n: 10 + n / 16 for n in range(1, 6)}
    devices = [
        new_device(0x28, n, temperature_degc=degc) for n, degc in temperatures.items()
    ]
    bus = open_bus(bench_data(devices))
    family = family_of(0x28)
    assert family.convert_all is not None
    took_ms = family.convert_all(AllDevices(bus), False).value
    assert isinstance(took_ms, float)
    assert 570 < took_ms < 650
    reread = quantities(0x28)["temperature"].reread
    assert reread is not None
    read = {
        n: reread(DeviceSession(bus, RomCode.build(0x28, n))).value
        for n in temperatures
    }
    assert read == temperatures


def test_common_conversion_that_nobody_hears(scripted: Make) -> None:
    """Nobody turned busy: old readings are not read as new ones."""
    family = family_of(0x28)
    assert family.convert_all is not None
    with pytest.raises(DeviceAbsent, match="no device turned busy"):
        family.convert_all(scripted(b"", [[1]]), False)


def test_common_conversion_on_parasite_power(scripted: Make) -> None:
    """With a parasite-fed device the line idles for the longest time and nobody is asked."""
    family = family_of(0x28)
    assert family.convert_all is not None
    everybody = scripted(b"", [[1]])
    assert family.convert_all(everybody, True).value == 750.0
    assert everybody.clock.now_s() == 0.75


@pytest.mark.parametrize(
    "pull_up_ohm", [330, 680, 1000, 1500, 2200, 3300, 4700, 10_000]
)
@pytest.mark.parametrize("family", [0x28, 0x10])
def test_parasite_through_any_pull_up(
    live: Make, family: int, pull_up_ohm: float
) -> None:
    """Whatever resistor feeds the line, a reading is right or it is an error."""
    line = {"pull_up_ohm": pull_up_ohm, "supply_v": 5.0, "cable_m": 1}
    session = live(
        family, fixture={"line": line}, supply="parasite", temperature_degc=31
    )
    for _ in range(3):
        try:
            assert ask(session, "temperature") == 31
        except (DeviceError, LineError, ExtraEcho):
            assert (
                pull_up_ohm > 1300
            )  # 1.5 mA take 2 V there: 1.3 kohm feeds one device


def test_a_resolution_request_that_is_refused(script: Make) -> None:
    """The block of a public report: 12 bit before and after 9 were asked for.

    Its reading is valid, and conversions are waited for as long as before.
    """
    block = "8B 01 FF FF 7F FF FF FF 8B"
    session = script(
        0x28, [("BE", block), ("BE", block), ("4E FF FF 1F", ""), ("BE", block)]
    )
    with pytest.raises(AnswerImpossible, match="refused: it stays 12 bit") as refused:
        configured(session, resolution_bits=9)
    assert refused.value.cause == "configuration"
    assert "750 ms" in refused.value.hint
    assert session.lines == []
    session.lines = [("BE", block)]
    reread = quantities(0x28)["temperature"].reread
    assert reread is not None
    assert reread(session).value == 24.6875
    session.lines = [("BE", block)]
    assert read_scratchpad(session).conversion_ms == 750.0


SHOWS_NO_85 = [25.0, 30.5]
"""After power-up: its own value, or the last result within some minutes (public survey
texts on clones, which convert in 519 ms)."""


@pytest.mark.parametrize("shows_degc", SHOWS_NO_85)
def test_a_restart_of_a_clone_that_never_shows_85(
    live: Make, shows_degc: float
) -> None:
    """Not by its value: the marker is gone, and nothing is published."""
    faults = [{"kind": "stuck-at-power-on", "device": "S1"}]
    session = live(
        0x28,
        silicon="clone",
        conversion_ms=519,
        temperature_degc=28.0,
        power_on_degc=shows_degc,
        simulation={"faults": faults},
    )
    with pytest.raises(ReadingImplausible):
        ask(session, "temperature_restart_checked")


def test_the_same_clone_after_a_conversion(live: Make) -> None:
    """Busy seen and the marker kept: valid, and it waited for what the part needs."""
    session = live(
        0x28,
        silicon="clone",
        conversion_ms=519,
        temperature_degc=30.5,
        power_on_degc=25.0,
    )
    before_s = session.clock.now_s()
    assert ask(session, "temperature_restart_checked") == 30.5
    assert session.clock.now_s() - before_s > 0.519
