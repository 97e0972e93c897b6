"""Opening a pyserial port, and turning its many exceptions into ours."""

from __future__ import annotations

import errno
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    PortAbsent,
    PortBusy,
    PortForbidden,
    PortUnsuitable,
    UsageError,
)
from harness.wire.clock_grid import KIND_BY_USB_ID

_termios_error: type[Exception]
try:
    import termios
except ImportError:  # pragma: no cover - no termios on this system
    _termios_error = OSError
else:
    _termios_error = termios.error

HANDLER_PACKAGE = "harness.simulation"
"""Where pyserial finds the module for ``sim://``; a name, never an import."""

_POLL_S = 0.05
"""Longest wait of one read call; the adapter loops over it up to its own deadline."""


@contextmanager
def translated(where: str) -> Iterator[None]:
    """Turn what a port raises while in use into AdapterUnplugged.

    With the line gone, pyserial's ``read`` raises SerialException, ``in_waiting`` a
    plain OSError and ``reset_input_buffer`` a termios.error, which is no OSError.
    """
    try:
        yield
    except serial.SerialTimeoutException as cause:
        raise AdapterError(
            f"the adapter does not take more characters ({cause})",
            where=where,
            hint="lower adapter.max_burst in the fixture; check that nothing holds the port's flow",
        ) from cause
    except (serial.SerialException, OSError, _termios_error) as cause:
        raise AdapterUnplugged(f"the adapter is gone ({cause})", where=where) from cause


def _open_failure(cause: Exception, url: str) -> AdapterError:
    number = getattr(cause, "errno", None)
    text = str(cause)
    if number in {errno.ENOENT, errno.ENODEV, errno.ENXIO} or "no ports found" in text:
        return PortAbsent("there is no such port", where=url)
    if number in {errno.EACCES, errno.EPERM}:
        return PortForbidden("this user may not open the port", where=url)
    if number in {errno.EBUSY, errno.EAGAIN} or "exclusively lock" in text:
        return PortBusy("the port is in use", where=url)
    if number == errno.ECONNREFUSED or ("Could not open port" in text and "://" in url):
        return PortAbsent(f"nobody serves this address ({text})", where=url)
    return PortUnsuitable(f"the port cannot be used ({text})", where=url)


def open_port(url: str, baud: int) -> Any:  # noqa: ANN401 - the class depends on the URL
    """Open a port by name or URL, locked for this process.

    Args:
        url: a device name or any pyserial URL.
        baud: first rate, one that every port takes.

    Raises:
        UsageError: the URL's scheme is not known.
        PortAbsent, PortBusy, PortForbidden, PortUnsuitable: as named.
    """
    if HANDLER_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(HANDLER_PACKAGE)
    native = "://" not in url or url.startswith("hwgrep://")
    try:
        port = serial.serial_for_url(url, do_not_open=True)
    except ValueError as cause:
        raise UsageError(
            f"the port's scheme {urlsplit(url).scheme!r} is not known",
            where=url,
            hint="use a device name, sim://, rfc2217://host:port, socket://host:port or hwgrep://",
        ) from cause
    except (serial.SerialException, OSError) as cause:
        raise _open_failure(cause, url) from cause
    try:
        # Set once: each later assignment would configure the whole port again.
        port.timeout = _POLL_S
        port.baudrate = baud
        port.exclusive = True
        if native:
            port.write_timeout = 10
        port.open()
    except (serial.SerialException, OSError, ValueError, _termios_error) as cause:
        with suppress(Exception):
            port.close()
        raise _open_failure(cause, url) from cause
    return port


def close_port(port: Any) -> None:  # noqa: ANN401 - the class depends on the URL
    """Close a port, and what pyserial 3.5 leaves open of it.

    With the peer gone, a network port's close gives up before its socket is closed.
    """
    left = getattr(port, "_socket", None)
    port.close()
    if left is not None:
        left.close()


def stable_identity(url: str) -> tuple[str, str]:
    """Serial number and USB position of a native port, empty where unknown.

    A port that was unplugged may come back under another name; these stay.
    """
    for info in list_ports.comports(include_links=True):
        if info.device == url:
            return info.serial_number or "", info.location or ""
    return "", ""


def rediscover(url: str, identity: tuple[str, str]) -> str:
    """The name under which the adapter with ``identity`` is found now, else ``url``."""
    number, location = identity
    for info in list_ports.comports():
        if (number and info.serial_number == number) or (
            not number and location and info.location == location
        ):
            return str(info.device)
    return url


def usb_id(url: str) -> tuple[int, int] | None:
    """USB vendor and product number of a native port, or None."""
    for info in list_ports.comports(include_links=True):
        if info.device == url and info.vid is not None and info.pid is not None:
            return info.vid, info.pid
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundAdapter:
    """An adapter of this machine.

    Attributes:
        device: its name now.
        stable_port: what to write as ``port``; survives another USB order.
        kind: clock grid by its USB numbers, ``unknown`` if they say nothing.
        description: what the adapter says of itself.
    """

    device: str
    stable_port: str
    kind: str
    description: str


def list_adapters() -> list[FoundAdapter]:
    """Every USB adapter of this machine, in order of their names."""
    found = []
    for info in sorted(list_ports.comports(), key=lambda info: info.device):
        if info.vid is None or info.pid is None:
            continue
        number = f"{info.vid:04X}:{info.pid:04X}"
        found.append(
            FoundAdapter(
                device=info.device,
                stable_port=_stable_port(info),
                kind=KIND_BY_USB_ID.get((info.vid, info.pid), "unknown"),
                description=f"{info.product or info.description or 'adapter'}, USB {number}, "
                f"serial number {info.serial_number or 'none'}, position {info.location or 'unknown'}",
            )
        )
    return found


def _stable_port(info: Any) -> str:  # noqa: ANN401 - pyserial's own record
    """By udev's link where there is one, else by serial number or USB position."""
    for folder in ("/dev/serial/by-id", "/dev/serial/by-path"):
        for link in sorted(Path(folder).glob("*")):
            if link.resolve() == Path(info.device).resolve():
                return str(link)
    if info.serial_number:
        return f"hwgrep://SER={re.escape(info.serial_number)}"
    if info.location:
        return f"hwgrep://LOCATION={re.escape(info.location)}"
    return str(info.device)
