"""The model of the clocks 24h and 27h against data sheets DS2415 p. 4 and DS2417 p. 4-5."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost


def clock(**more: object) -> dict[str, Any]:
    """A clock on the line."""
    return {"family": 0x27, "serial": 0xA4B3C2D1, **more}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


@pytest.mark.parametrize("family", [0x24, 0x27])
def test_worked_transaction(make_host: MakeHost, family: int) -> None:
    """Written, and read at once: the bytes of the data sheet; the snapshot repeats."""
    host = make_host(clock(family=family))
    asked(host, "CC 99 0C 00 10 5E 5F")
    assert asked(host, "CC 66", 10) == "0C 00 10 5E 5F 0C 00 10 5E 5F"


def test_seconds_advance_by_its_own_crystal(make_host: MakeHost) -> None:
    """1000 s of the bench are 1001 s of a clock that is 1000 ppm fast."""
    host = make_host(clock(drift_ppm=1000.0))
    asked(host, "CC 99 0C 00 00 00 00")
    host.reset()
    host.wait(1000.5)
    assert asked(host, "CC 66", 5) == "0C E9 03 00 00"


def test_time_is_taken_over_at_the_reset(make_host: MakeHost) -> None:
    """Until the reset the old time counts; a torn write never counts."""
    host = make_host(clock(clock_s=5, control=0))
    asked(host, "CC 99 00 01 02 03")
    assert asked(host, "CC 66", 5) == "00 05 00 00 00"
    asked(host, "CC 99 00 01 02 03 04")
    assert asked(host, "CC 66", 5) == "00 01 02 03 04"


def test_stopped_clock_stores(make_host: MakeHost) -> None:
    """With the oscillator off four bytes stand still; bit 3 decides for both."""
    host = make_host(clock())
    asked(host, "CC 99 04 78 56 34 12")
    host.reset()
    host.wait(100)
    assert asked(host, "CC 66", 5) == "00 78 56 34 12"
    asked(host, "CC 99 F8 78 56 34 12")
    assert asked(host, "CC 66", 1) == "FC"


def test_wrap(make_host: MakeHost) -> None:
    """After 2^32 - 1 comes 0."""
    host = make_host(clock(clock_s=(1 << 32) - 1))
    host.wait(1.5)
    assert asked(host, "CC 66", 5) == "0C 00 00 00 00"
