"""Clocks 24h and 27h: bytes on the wire, setting, drift, noise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import (
    AnswerImpossible,
    CheckValueWrong,
    DeviceAbsent,
    ReadingImplausible,
    StillBusy,
    UsageError,
)
from harness.families.clocks.seconds_clock import INTERVALS_S, configure, read, write
from harness.families.registry import checks, quantities

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""

SNAPSHOT = "0C 00 10 5E 5F"
WORKED = [("99 0C 00 10 5E 5F", ""), ("66", f"{SNAPSHOT} {SNAPSHOT}")]
"""Setting a clock to 5F5E1000h s (data sheet DS2415 p. 4)."""


def device(session: DeviceSession) -> Any:  # noqa: ANN401 - the model's own
    """The simulated part."""
    return session._bus.adapter.port.bench.stations[0].device


def ask(session: DeviceSession, quantity: str) -> Any:  # noqa: ANN401 - a scalar
    """The value of a quantity."""
    return quantities(session.rom.family)[quantity].read(session).value


def run(session: DeviceSession, given: Make, name: str, **options: object) -> Any:  # noqa: ANN401
    """Run a check; its measurements by name."""
    check = checks(session.rom.family)[name]
    found = check.run(session, given(check, **options))
    return {value.name: value for value in found.measurements}


def test_worked_transaction(script: Make) -> None:
    """Write, then read (data sheet DS2415 p. 4)."""
    session = script(0x27, WORKED)
    write(session, 0x0C, 0x5F5E1000)
    assert session.lines == []


def test_what_no_check_can_catch(script: Make) -> None:
    """The same bit wrong in both copies: 4 of the 40 fall to the fixed bits of control."""
    uncaught = 0
    for bit in range(40):
        copy = bytearray.fromhex(SNAPSHOT)
        copy[bit // 8] ^= 1 << bit % 8
        try:
            read(script(0x27, [("66", copy.hex() * 2)]))
            uncaught += 1
        except AnswerImpossible:
            assert bit < 4
    assert uncaught == 36


def test_ones_and_zeros(script: Make) -> None:
    """Ones are nobody; zeros are a stopped clock only if the device still answers."""
    with pytest.raises(DeviceAbsent):
        read(script(0x24, [("66", "FF" * 10)]))
    session = script(0x24, [("66", "00" * 10)] * 2)
    assert read(session).seconds == 0
    session.present = False
    with pytest.raises(DeviceAbsent):
        read(session)


@pytest.mark.parametrize(
    ("got", "ok"),
    [("0C 01 00 00 00", True), ("0C 03 00 00 00", True), ("0C 04 00 00 00", False),
     ("0C 00 00 00 00", False), ("00 01 00 00 00", False), ("1C 01 00 00 00", False)],
)  # fmt: skip
def test_read_back(script: Make, got: str, ok: bool) -> None:
    """Up to two seconds may have passed since a time was written, none before it."""
    session = script(0x27, [("99 0C 01 00 00 00", ""), ("66", f"{got} {got}")])
    if ok:
        write(session, 0x0C, 1)
    else:
        with pytest.raises(AnswerImpossible, match="after writing 0Ch"):
            write(session, 0x0C, 1)


def test_settings(live: Make) -> None:
    """What is set is read back, what is not set stays."""
    session = live(0x27, clock_s=1000, control=0)
    configure(session, {"oscillator": "on", "interrupt": True}, False)
    configure(session, {"interrupt_interval_s": 2048}, False)
    assert ask(session, "oscillator") == "on"
    assert (ask(session, "interrupt"), ask(session, "interrupt_interval")) == (
        "on",
        2048,
    )
    assert ask(session, "clock_time") in {1000, 1001}
    configure(session, {"clock_time_s": 77, "oscillator": False}, False)
    assert ask(session, "clock_time") == 77
    assert device(session).control == 0xC0


def test_user_flags(live: Make) -> None:
    """Four bits of a 24h are the user's."""
    session = live(0x24)
    configure(session, {"user_flags": 9}, False)
    assert ask(session, "user_flags") == 9
    assert ask(session, "oscillator") == "on"


@pytest.mark.parametrize("place", range(8))
def test_intervals(script: Make, place: int) -> None:
    """Interval codes 0 to 7 (data sheet family 27h, part DS2417, p. 5)."""
    assert INTERVALS_S == (1, 4, 32, 64, 2048, 4096, 65536, 131072)
    copy = f"{0x0C | place << 4:02X} 00 00 00 00"
    session = script(0x27, [("66", f"{copy} {copy}")])
    assert ask(session, "interrupt_interval") == INTERVALS_S[place]


@pytest.mark.parametrize(
    "wrong", [{"oscillator": "maybe"}, {"clock_time_s": -1}, {"clock_time_s": 1 << 32},
              {"interrupt_interval_s": 5}, {"user_flags": 16}, {"clock_time_s": True}],
)  # fmt: skip
def test_wrong_settings_write_nothing(live: Make, wrong: dict[str, Any]) -> None:
    """A value out of range is refused before anything is sent."""
    session = live(0x24, clock_s=5, control=0)
    with pytest.raises(UsageError):
        configure(session, wrong, False)
    assert device(session).seconds == 5


def test_clock_is_set_to_the_host(live: Make, given: Make) -> None:
    """After setting, device and host agree to a second."""
    session = live(0x24, control=0)
    with pytest.raises(ReadingImplausible, match="oscillator is off"):
        ask(session, "clock_offset")
    assert run(session, given, "clock_set")["clock_offset"].holds
    assert ask(session, "clock_offset") == pytest.approx(0, abs=1.2)
    host_s = session.clock.calendar().timestamp()
    assert ask(session, "clock_time") == pytest.approx(host_s, abs=1.2)


@pytest.mark.parametrize(
    ("drift_ppm", "holds"), [(0.0, True), (40.0, True), (-90.0, False), (200.0, False)]
)
def test_drift(live: Make, given: Make, drift_ppm: float, holds: bool) -> None:
    """Measured to its own stated doubt; beyond 46 ppm and doubt it fails."""
    session = live(0x27, drift_ppm=drift_ppm)
    found = run(session, given, "clock_drift", for_s=1800)["clock_drift"]
    assert found.uncertainty < 30
    assert found.value == pytest.approx(drift_ppm, abs=found.uncertainty)
    assert found.holds is holds


def test_drift_of_a_clock_that_does_not_count(live: Make, given: Make) -> None:
    """Oscillator bits on, crystal dead."""
    session = live(0x24)
    device(session).drift_ppm = -1e6
    with pytest.raises(StillBusy, match="stands at"):
        run(session, given, "clock_drift")


def test_clock_that_jumps(live: Make, given: Make) -> None:
    """A jump while it is watched is no drift."""
    session = live(0x24)
    device(session).drift_ppm = 5e9
    with pytest.raises((AnswerImpossible, CheckValueWrong)):
        run(session, given, "clock_drift")
