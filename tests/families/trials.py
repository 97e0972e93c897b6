"""What each kind is put to on a noisy line, in the same words: one row a kind.

A trial does something and then asserts, by a look into the simulated device, that what
the driver said is what the device holds. An error of the driver is no failure: a silent
wrong value is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.driver.session import DeviceSession
from harness.errors import AnswerImpossible
from harness.families.check import Findings
from tests.families.cases import (
    BENCH_SECRET,
    PARASITE,
    PROGRAMMING,
    ask,
    do,
    put,
)

Tried = Callable[[DeviceSession, int, int], None]
"""What is tried: session, seed of the line, number of the round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One kind of device on a noisy line.

    Attributes:
        family: its code.
        what: what is tried, for the test's name.
        tried: does it, and asserts that what was said is so.
        one_in: one slot in so many is flipped.
        seeds: lines, each with noise of its own.
        rounds: on each line.
        right: more than so many must succeed, or nothing is shown.
        errors: more than so many must be refused, or the noise was none.
        device: settings of the simulated device.
        fixture: further sections of the fixture.
    """

    family: int
    what: str
    tried: Tried
    one_in: int
    seeds: int
    rounds: int
    right: int
    errors: int
    device: Mapping[str, Any] = field(default_factory=dict)
    fixture: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.family:02X}h {self.what}"


def model(session: DeviceSession) -> Any:  # noqa: ANN401 - the simulated device
    """The device at the other end of the line."""
    port: Any = session._bus.adapter.port
    return port.bench.stations[0].device


def _content(seed: int, number: int, length: int) -> bytes:
    return bytes((seed * 31 + number * 7 + i) & 0xFF for i in range(length))


def _value(findings: object, name: str) -> Any:  # noqa: ANN401 - a scalar of any kind
    assert isinstance(findings, Findings)
    return next(m for m in findings.measurements if m.name == name)


def reads(quantity: str, value: object) -> Tried:
    """Reads one value, which the device has."""

    def tried(session: DeviceSession, seed: int, number: int) -> None:
        del seed, number
        assert ask(quantity)(session) == value

    return tried


def writes(
    start: int,
    length: int,
    *,
    check: str = "memory_write",
    at: int | None = None,
    before: Tried | None = None,
) -> Tried:
    """Writes memory; the cells from ``at`` on, or from the start, hold it."""
    first = start if at is None else at

    def tried(session: DeviceSession, seed: int, number: int) -> None:
        data = _content(seed, number, length)
        if before is not None:
            before(session, seed, number)
        do(check, start=start, data=data.hex())(session)
        assert bytes(model(session).cells[first : first + length]) == data

    return tried


def _switches(session: DeviceSession, seed: int, number: int) -> None:
    del seed
    put(channel_a_output=bool(number & 1), channel_b_output=bool(number & 2))(session)
    assert model(session).pins.latches == ~number & 3


def _switches_eight(session: DeviceSession, seed: int, number: int) -> None:
    latches = seed * 37 + number * 11 & 0xFF
    put(**{f"channel_{n}_output": not latches >> n & 1 for n in range(8)})(session)
    assert model(session).pins.latches == latches


def _toggles(session: DeviceSession, seed: int, number: int) -> None:
    del seed
    put(channel_a_output=bool(number % 2))(session)
    assert model(session).pins.latches == 1 - number % 2


def _chain(session: DeviceSession, seed: int, number: int) -> None:
    reads("temperature", 21.5)(session, seed, number)
    put(channel_a_output=bool(number % 2), alarm_high_degc=number)(session)
    assert model(session).pins.latches == 3 - number % 2
    assert model(session).scratchpad[2] == number


def _mission(session: DeviceSession, seed: int, number: int) -> None:
    del seed, number
    found = do("mission", samples=1, low_degc=2, high_degc=8)(session)
    assert (_value(found, "log_lowest").value, _value(found, "log_highest").value) == (
        4,
        4,
    )
    assert _value(found, "histogram_sum").holds
    assert model(session).registers[0x0B:0x0E] == bytes([0x54, 0x60, 1])


def _climate_mission(session: DeviceSession, seed: int, number: int) -> None:
    del seed, number
    found = do("mission", samples=2, low_degc=2, high_degc=8)(session)
    assert _value(found, "log_lowest").value == pytest.approx(4, abs=0.05)
    assert _value(found, "log_highest").value == pytest.approx(4, abs=0.05)
    assert not model(session).is_dead


def _writes_with_mac(session: DeviceSession, seed: int, number: int) -> None:
    data = _content(seed, number, 8)
    secret = "env:BENCH_SECRET"
    found = do("authenticated_write", secret=secret, data=data.hex())(session)
    proof = do("authenticated_page", secret="env:OTHER_SECRET", challenge="11 22 33")(
        session
    )
    assert _value(found, "bytes_different").holds
    assert bytes(model(session).cells[:8]) == data
    assert not _value(proof, "mac_right").holds


def _behind_the_bridge(session: DeviceSession, seed: int, number: int) -> None:
    content = _content(seed, number, 16)
    data = (b"\x00\x20" + content).hex()
    found = do("i2c_write", address=0x50, data=data, pointer_bytes=2)(session)
    if not _value(found, "bytes_different").holds:
        raise AnswerImpossible("the check says that other bytes are stored")
    assert bytes(model(session).parts[0x50].cells[0x20:0x30]) == content


def _sets_time(session: DeviceSession, seed: int, number: int) -> None:
    seconds = seed * 0x01234567 + number * 0x00FEDCBA
    put(clock_time_s=seconds)(session)
    assert ask("clock_time")(session) == seconds
    assert model(session).seconds == seconds


def _moves(session: DeviceSession, seed: int, number: int) -> None:
    position = seed * 41 + number * 13 & 0xFF
    put(position=position)(session)
    assert model(session).position == position


def _converts(session: DeviceSession, seed: int, number: int) -> None:
    del seed
    name, volts = (("a", 1.25), ("b", 0.75))[number % 2]
    put(**{f"channel_{name}_resolution_bits": 12})(session)
    assert ask(f"channel_{name}_voltage")(session) == volts


def _current(session: DeviceSession, seed: int, number: int) -> None:
    del seed, number
    put(sense_mohm=25)(session)
    assert ask("current")(session) == pytest.approx(0.5, abs=0.001)


_LIVE = {"temperature_degc": 21.5}

TRIALS = (
    Trial(
        family=0x28, what="reads", tried=reads("temperature", 21.5), device=_LIVE,
        one_in=500, seeds=25, rounds=8, right=50, errors=10,
    ),
    *(
        Trial(
            family=0x3B, what=f"reads, {variant}", tried=reads("temperature", 21.5),
            device={**_LIVE, "thermocouple_degc": 21.5, "variant": variant},
            one_in=500, seeds=10, rounds=6, right=10, errors=5,
        )
        for variant in ("adjustable", "with-memory", "thermocouple", "low-voltage")
    ),
    Trial(
        family=0x3B, what="writes", tried=writes(16, 16), device={"variant": "with-memory"},
        one_in=2000, seeds=12, rounds=3, right=5, errors=2,
    ),
    Trial(
        family=0x42, what="reads and switches", tried=_chain, device=_LIVE,
        one_in=500, seeds=15, rounds=6, right=10, errors=10,
    ),
    *(
        Trial(
            family=code, what="writes", tried=writes(16, 16),
            fixture=PARASITE, device={"supply": "external"},
            one_in=2000, seeds=12, rounds=3, right=5, errors=2,
        )
        for code in (0x2D, 0x43, 0x23)
    ),
    Trial(
        family=0x08, what="writes", tried=writes(40, 8),
        one_in=2000, seeds=12, rounds=4, right=5, errors=2,
    ),
    Trial(
        family=0x14, what="writes", tried=writes(8, 8), device={"supply": "external"},
        one_in=4000, seeds=20, rounds=1, right=3, errors=2,
    ),
    Trial(
        family=0x1D, what="counts and writes", device={"counts": {"a": 123_456}},
        tried=writes(16, 16, before=reads("input_a_count", 123_456)),
        one_in=2000, seeds=12, rounds=3, right=5, errors=5,
    ),
    *(
        Trial(
            family=code, what="programs", fixture=PROGRAMMING,
            tried=writes(8, 4, check="memory_program"),
            one_in=1429, seeds=20, rounds=1, right=3, errors=3,
        )
        for code in (0x09, 0x0B)
    ),
    Trial(
        family=0x3A, what="switches", tried=_switches,
        one_in=333, seeds=20, rounds=6, right=20, errors=10,
    ),
    Trial(
        family=0x29, what="switches", tried=_switches_eight,
        one_in=500, seeds=15, rounds=6, right=15, errors=10,
    ),
    Trial(
        family=0x12, what="switches", tried=_switches,
        one_in=500, seeds=15, rounds=6, right=15, errors=10,
    ),
    Trial(
        family=0x05, what="toggles", tried=_toggles,
        one_in=1000, seeds=20, rounds=6, right=20, errors=10,
    ),
    Trial(
        family=0x21, what="mission", tried=_mission, device={"temperature_degc": 4},
        one_in=5000, seeds=20, rounds=1, right=3, errors=2,
    ),
    Trial(
        family=0x41, what="mission", tried=_climate_mission, device={"temperature_degc": 4},
        one_in=10_000, seeds=20, rounds=1, right=3, errors=2,
    ),
    Trial(
        family=0x33, what="writes with a MAC", tried=_writes_with_mac, fixture=PARASITE,
        device={"secret": BENCH_SECRET, "fill": 0, "supply": "external"},
        one_in=2000, seeds=24, rounds=1, right=3, errors=2,
    ),
    Trial(
        family=0x19, what="writes behind the bridge", tried=_behind_the_bridge,
        one_in=2000, seeds=20, rounds=1, right=5, errors=2,
    ),
    Trial(
        family=0x26, what="writes", tried=writes(8, 8, at=32),
        one_in=2000, seeds=16, rounds=2, right=5, errors=2,
    ),
    Trial(
        family=0x30, what="writes", tried=writes(4, 6, at=0x24),
        one_in=2000, seeds=16, rounds=2, right=5, errors=2,
    ),
    *(
        Trial(
            family=code, what="reads current", tried=_current, device={"current_a": 0.5},
            one_in=200, seeds=20, rounds=1, right=5, errors=2,
        )
        for code in (0x51, 0x2E, 0x36)
    ),
    Trial(
        family=0x24, what="sets the time", tried=_sets_time, device={"control": 0},
        one_in=1000, seeds=20, rounds=6, right=20, errors=10,
    ),
    Trial(
        family=0x20, what="converts", tried=_converts,
        device={"input_v": {"a": 1.25, "b": 0.75}},
        one_in=1000, seeds=15, rounds=6, right=15, errors=10,
    ),
    Trial(
        family=0x2C, what="moves the wiper", tried=_moves,
        one_in=500, seeds=15, rounds=6, right=15, errors=10,
    ),
)  # fmt: skip
"""Rates and counts: as rare as leaves a few of a kind's transactions whole, and as
often as strikes some; both ends are asserted."""
