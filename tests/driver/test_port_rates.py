"""Rates and stop bits as the kernel's structure has them, on a port that is a record."""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from harness.driver import port_rates
from harness.driver.port_rates import reported_rate, set_rate
from harness.errors import PortUnsuitable

termios = pytest.importorskip("termios")

TERMIOS2 = "IIIIB19sII"
"""struct termios2: four flags, line, 19 control characters, rates in and out.

Source: include/uapi/asm-generic/termbits.h of the Linux kernel.
"""
BOTHER = 0x1000
"""The same header: the rate is the number in the structure."""


def request_of(direction: int) -> int:
    """_IOR and _IOW of ('T', 2Ah or 2Bh, struct termios2), asm-generic/ioctl.h."""
    number = 0x2A if direction == 2 else 0x2B
    return (
        direction << 30 | struct.calcsize("=" + TERMIOS2) << 16 | ord("T") << 8 | number
    )


class Tty:
    """What the kernel keeps of one tty.

    Attributes:
        fields: of ``struct termios2``, every flag set at first.
    """

    def __init__(self) -> None:
        self.fd = 7
        flags = 0xFFFFFFFF
        self.fields: list[object] = [*[flags] * 4, 5, bytes(range(19)), 1200, 2400]

    def ioctl(self, handle: int, request: int, data: bytes) -> bytes:
        """Get or set, by the published numbers."""
        assert handle == self.fd
        if request == request_of(2):
            assert len(data) == struct.calcsize("=" + TERMIOS2)
            return struct.pack("=" + TERMIOS2, *self.fields)
        assert request == request_of(1)
        self.fields = list(struct.unpack("=" + TERMIOS2, data))
        return b""


@pytest.fixture
def tty(monkeypatch: pytest.MonkeyPatch) -> Tty:
    """A tty behind the module's call into the kernel, on whatever system this is."""
    made = Tty()
    monkeypatch.setattr(port_rates, "_ioctl", made.ioctl)
    monkeypatch.setattr("sys.platform", "linux")
    return made


@pytest.mark.parametrize("stop_bits", [1, 2])
def test_flags_and_rates(tty: Tty, stop_bits: int) -> None:
    """Both rates are set, and nothing but rate, stop bits and the two flags of a break."""
    set_rate(tty, 142_857, stop_bits)
    every = 0xFFFFFFFF
    iflag, oflag, cflag, lflag, line, characters, *rates = tty.fields
    assert iflag == every & ~(termios.BRKINT | termios.IGNPAR)
    assert (oflag, lflag, line, characters) == (every, every, 5, bytes(range(19)))
    taken = 0 if stop_bits == 2 else termios.CSTOPB
    assert cflag == every & ~(0o010017 & ~BOTHER) & ~taken
    assert rates == [142_857, 142_857]
    assert reported_rate(tty) == 142_857


def test_flags_that_were_off(tty: Tty) -> None:
    """Of all flags off only those are set that are wanted."""
    tty.fields[:4] = [0, 0, 0, 0]
    set_rate(tty, 9600, 2)
    assert tty.fields[:4] == [0, 0, BOTHER | termios.CSTOPB, 0]
    set_rate(tty, 9600)
    assert tty.fields[2] == BOTHER


def test_the_rate_that_is_reported_is_the_one_out(tty: Tty) -> None:
    """Rates in and out may differ: characters are sent at the one out."""
    assert reported_rate(tty) == 2400


@pytest.mark.parametrize("baud", [-1, 1 << 32])
def test_a_number_that_no_field_holds(tty: Tty, baud: int) -> None:
    """32 bits without a sign."""
    with pytest.raises(PortUnsuitable, match=f"refuses {baud} baud"):
        set_rate(tty, baud)
    set_rate(tty, (1 << 32) - 1)


class Other:
    """A port that is no tty: settings are attributes."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, int]] = []

    def __setattr__(self, name: str, value: object) -> None:
        if name != "calls":
            assert isinstance(value, int)
            self.calls.append((name, value))
        super().__setattr__(name, value)


def test_a_port_that_is_no_tty() -> None:
    """Stop bits only where they change: setting one costs as much as a rate."""
    port = Other()
    port.stopbits, port.baudrate = 1, 9600
    port.calls.clear()
    set_rate(port, 7755)
    set_rate(port, 7755, 2)
    assert port.calls == [("baudrate", 7755), ("stopbits", 2), ("baudrate", 7755)]
    assert reported_rate(port) == 7755


@pytest.mark.parametrize(
    ("platform", "ioctl", "handle", "native"),
    [
        ("linux", len, 3, True),
        ("darwin", len, 3, False),
        ("linux", None, 3, False),
        ("linux", len, None, False),
    ],
)
def test_what_is_native(
    monkeypatch: pytest.MonkeyPatch,
    platform: str,
    ioctl: Callable[..., object] | None,
    handle: int | None,
    native: bool,
) -> None:
    """Linux, its call, and a port with a handle: all three."""
    monkeypatch.setattr("sys.platform", platform)
    monkeypatch.setattr(port_rates, "_ioctl", ioctl)
    assert port_rates.is_native(SimpleNamespace(fd=handle)) is native


@pytest.mark.parametrize(
    ("number", "refused"), [(errno.EINVAL, True), (errno.EIO, False)]
)
def test_only_invalid_is_a_refusal(
    monkeypatch: pytest.MonkeyPatch, tty: Tty, number: int, refused: bool
) -> None:
    """Every other error of the system is its own, for the adapter to translate."""

    def fails(*_: object) -> bytes:
        raise OSError(number, "as the kernel says")

    monkeypatch.setattr(port_rates, "_ioctl", fails)
    with pytest.raises(PortUnsuitable if refused else OSError, match="as the kernel"):
        set_rate(tty, 9600)
