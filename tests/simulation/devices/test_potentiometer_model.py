"""The model of the potentiometer 2Ch against data sheet DS2890 p. 5-6."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.simulation.faults import settings as fs

if TYPE_CHECKING:
    from tests.simulation.conftest import Host, MakeHost

PART = {"family": 0x2C, "serial": 0x51AB}


def asked(host: Host, text: str, count: int = 0) -> str:
    """What is answered to bytes in hex."""
    return host.ask(bytes.fromhex(text), count).hex(" ").upper()


def moved(host: Host, text: str, release: str = "96") -> str:
    """A write, its echo, and a release."""
    echo = asked(host, f"CC {text}", 1)
    host.write(bytes.fromhex(release))
    return echo


def test_worked_transactions(make_host: MakeHost) -> None:
    """Read 0C 00, write 80h, read 0C 80; zeros follow (release from memory)."""
    host = make_host(PART)
    assert asked(host, "CC F0", 4) == "0C 00 00 00"
    assert moved(host, "0F 80") == "80"
    assert asked(host, "CC F0", 2) == "0C 80"


def test_nothing_acts_without_its_release(make_host: MakeHost) -> None:
    """A reset or another byte in place of 96h, and control bytes that there are not."""
    host = make_host(PART)
    asked(host, "CC 0F 80", 1)
    moved(host, "0F 80", "97")
    moved(host, "55 8C")
    assert asked(host, "CC F0", 2) == "0C 00"
    moved(host, "55 4C")
    assert asked(host, "CC AA", 2) == "F3 4C"


def test_steps_stop_at_the_ends(make_host: MakeHost) -> None:
    """Up and down by one, not beyond 0 and 255 (assumed)."""
    host = make_host(PART)
    assert [asked(host, f"CC {c}", 1) for c in ("99", "C3", "C3", "99")] == [
        "00", "01", "02", "01"]  # fmt: skip
    moved(host, "0F FF")
    assert asked(host, "CC C3", 1) == "FF"


def test_condition_and_power_cycle(make_host: MakeHost) -> None:
    """It answers a conditional search at 0 only, and wakes there (from memory)."""
    host = make_host(PART)
    assert len(host.search(0xEC)) == 1
    moved(host, "0F 01")
    assert host.search(0xEC) == []
    host.bench.faults.plan(
        fs.DeviceDropsOff(
            kind="device-drops-off", at_s=host.port.clock.now_s() + 0.01, for_s=0.01
        )
    )
    host.wait(0.05)
    assert asked(host, "CC F0", 2) == "0C 00"
