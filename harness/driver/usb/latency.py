"""Asking an adapter not to hold replies back, and saying how to cure it where it does.

Many adapters gather received characters for 16 ms unless a packet is full. Linux has a
flag for it (ASYNC_LOW_LATENCY), which pyserial sets; drivers that know no such timer
accept it without effect or refuse. It is asked for at opening and put back at closing,
and is never an error: what counts is the round trip that the self-check measures.

Source: pyserial 3.5, serialposix.py; drivers/usb/serial/ftdi_sio.c of the Linux kernel;
application note AN232B-04. Tried on a pty only, which refuses it.
"""

from __future__ import annotations

import array
import sys
from contextlib import suppress
from enum import StrEnum
from typing import Any

from harness.driver.usb.device_tree import HostPort
from harness.driver.usb.names import is_native, port_named
from harness.errors import SlotproofError
from harness.lazy import fcntl, termios

_FLAGS_PLACE, _LOW_LATENCY = 4, 0x2000
"""Place of the flags in struct serial_struct, and the flag; linux/serial.h, tty_flags.h."""

SLOW_MS = 4.0
"""A full-speed adapter needs two to three frames of 1 ms; more than four is a timer's."""

_REFUSALS = (ValueError, NotImplementedError, AttributeError, OSError)
"""What pyserial raises: a driver that refuses, another system, a port that is no tty."""


class Latency(StrEnum):
    """What became of the wish for low latency."""

    LEFT = "left as found"
    WAS_LOW = "low already"
    LOWERED = "low latency asked for and taken"
    NOT_OFFERED = "not offered by this port"


def lower(port: Any) -> Latency:  # noqa: ANN401 - the class depends on the URL
    """Ask an open port for low latency; never an error."""
    if _is_low(port):
        return Latency.WAS_LOW
    try:
        port.set_low_latency_mode(True)
    except _REFUSALS:
        return Latency.NOT_OFFERED
    return Latency.LOWERED


def put_back(port: Any, latency: Latency) -> None:  # noqa: ANN401
    """Undo what ``lower`` did; a port that is gone has nothing to undo."""
    if latency is Latency.LOWERED:
        with suppress(*_REFUSALS):
            port.set_low_latency_mode(False)


def _is_low(port: Any) -> bool:  # noqa: ANN401
    """True if another program has asked for it before, and may rely on it."""
    handle = getattr(port, "fd", None)
    if not isinstance(handle, int):
        return False
    try:
        state = array.array("i", [0] * 32)
        fcntl.ioctl(handle, termios.TIOCGSERIAL, state)
    except (ImportError, AttributeError, OSError):  # Linux only
        return False
    return bool(state[_FLAGS_PLACE] & _LOW_LATENCY)


def cure(url: str, latency: Latency, system: str = sys.platform) -> str:
    """One line: what makes this port answer faster on this system."""
    if latency is Latency.LEFT:
        return "take `latency: leave` out of the fixture"
    if url.startswith("sim://"):
        return "lower latency_ms in the fixture's simulation section"
    if not is_native(url):
        return "run slotproof on the machine that has the adapter"
    port: HostPort | None = None
    with suppress(SlotproofError):
        port = port_named(url)
    if system == "win32":
        return (
            "set the Latency Timer of this port to 1 ms (Device Manager, Ports, "
            "Properties, Port Settings, Advanced)"
        )
    if system == "linux" and port is not None and port.has_timer:
        name = port.device.rpartition("/")[2]
        return f"echo 1 | sudo tee /sys/bus/usb-serial/devices/{name}/latency_timer"
    return "use an adapter whose latency can be set, on a port of its own without a hub"
