"""Opening a port: each way in which it fails has its own error."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.driver.adapter import Adapter
from harness.driver.port import list_adapters, open_port
from harness.driver.port_rates import is_native, reported_rate, set_rate
from harness.driver.switching import Condition, Switching
from harness.driver.usb.names import identity_of, port_named
from harness.errors import (
    CannotSwitch,
    PortAbsent,
    PortBusy,
    PortForbidden,
    PortUnsuitable,
    UsageError,
)

pty = pytest.importorskip("pty")

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


@pytest.fixture
def tty() -> Iterator[str]:
    """A tty of this machine with nobody at the other end."""
    master, slave = pty.openpty()
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


def test_absent(tmp_path: Path) -> None:
    """A port that is not there is absent; the hint names the command that lists ports."""
    with pytest.raises(PortAbsent, match="no such port") as raised:
        open_port(str(tmp_path / "ttyUSB0"), 9600)
    assert "slotproof ports" in raised.value.hint


def test_absent_by_pattern() -> None:
    """A search by USB serial number that matches nothing is absent too."""
    with pytest.raises(PortAbsent):
        open_port("hwgrep://SER=no-such-number-0", 9600)


def test_absent_server() -> None:
    """An address without a server is absent."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        number = free.getsockname()[1]
        with pytest.raises(PortAbsent, match="no server answers"):
            open_port(f"socket://127.0.0.1:{number}", 9600)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open anything")
def test_forbidden(tmp_path: Path) -> None:
    """A port that this user may not open names the group as the cure."""
    path = tmp_path / "ttyS9"
    path.touch(mode=0o000)
    with pytest.raises(PortForbidden) as raised:
        open_port(str(path), 9600)
    assert "group" in raised.value.hint


def test_busy(tty: str) -> None:
    """Two of ours cannot hold one port; the first stays usable."""
    first = open_port(tty, 9600)
    with pytest.raises(PortBusy, match="in use") as raised:
        open_port(tty, 9600)
    assert "other program" in raised.value.hint
    assert first.is_open
    first.close()
    open_port(tty, 9600).close()


def test_no_tty(tmp_path: Path) -> None:
    """A plain file opens and is no serial port."""
    path = tmp_path / "notes.txt"
    path.write_text("not a port")
    with pytest.raises(PortUnsuitable, match="cannot be used"):
        open_port(str(path), 9600)
    assert path.read_text() == "not a port"


def test_directory(tmp_path: Path) -> None:
    """A folder is no port either."""
    with pytest.raises(PortUnsuitable):
        open_port(str(tmp_path), 9600)


def test_unknown_scheme() -> None:
    """A misspelt scheme is the caller's mistake, with the schemes there are."""
    with pytest.raises(UsageError, match="'rfc2271'") as raised:
        open_port("rfc2271://localhost:4000", 9600)
    assert "rfc2217://" in raised.value.hint


def test_simulated_port_brings_its_own_time(bus_with: Make) -> None:
    """A simulated port is found by its scheme alone, locked like any other, and brings its clock."""
    with bus_with([]) as bus:
        assert bus.clock is bus.adapter.port.clock
        with pytest.raises(PortBusy):
            open_port(bus.adapter.url, 9600)


def test_no_modem_lines(tty: str) -> None:
    """A port without RTS and DTR cannot switch a fixture: told at open, port closed again."""
    power = Switching(supply_on=Condition.RTS)
    adapter = Adapter(tty, switching=power)
    with pytest.raises(CannotSwitch, match="no RTS line"), adapter.open():
        pass
    assert adapter.port is None
    open_port(tty, 9600).close()


@pytest.mark.unix
@pytest.mark.parametrize("baud", [9600, 7755, 142_857, 150_000, 115_200, 12_000_000])
def test_any_rate_on_a_native_port(tty: str, baud: int) -> None:
    """A tty takes any rate and reports it, and a rate set stays through other settings.

    Source: Linux ioctl_tty(2).
    """
    port = open_port(tty, 9600)
    assert is_native(port)
    set_rate(port, baud)
    assert reported_rate(port) == baud
    port.close()


@pytest.mark.parametrize("baud", [-1, 1 << 40])
def test_impossible_rate(tty: str, baud: int) -> None:
    """A rate that no port has is refused without a foreign exception."""
    port = open_port(tty, 9600)
    with pytest.raises(PortUnsuitable, match="refuses"):
        set_rate(port, baud)
    port.close()


def test_identity_of_what_is_no_adapter(tty: str) -> None:
    """A tty without USB numbers has no stable identity, and none is invented."""
    assert port_named(tty) is None
    assert identity_of(port_named(tty)) is None
    assert all(found.device != tty for found in list_adapters())
