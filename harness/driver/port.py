"""Opening a pyserial port, and turning its many exceptions into ours.

What each system does, as far as this package relies on it. Nothing here was tried on
hardware; "tried" means on a pty of Linux 6.18 with pyserial 3.5.

matter     system   what happens, and what is done about it; source
---------  -------  ----------------------------------------------------------------------
low line   Linux    BRKINT flushes the echoes at a break; pyserial leaves it as found, so
                    ``keep_breaks`` clears it at opening. Source: termios(3); tried
           macOS    the same call. Source: termios(4); not tried at all
           Windows  no such mode: a break is one 00h; pyserial sets fAbortOnError to 0.
                    Source: serialwin32.py of pyserial 3.5; not tried at all
exclusive  Linux    flock: stops a second slotproof, not a program that does not ask.
                    Source: serialposix.py; tried
           macOS    the same. Source: serialposix.py; not tried at all
           Windows  every opening is exclusive (share mode 0); busy reads as
                    PermissionError 13. Source: serialwin32.py, pyserial report 341; not
                    tried at all
any rate   Linux    termios2 with BOTHER in one call, see ``port_rates``. Source:
                    ioctl_tty(2); tried
           macOS    IOSSIOSPEED through pyserial, which repeats it after each setting.
                    Source: serialposix.py; not tried at all
           Windows  the number goes into the DCB; a driver that refuses it ends in
                    SerialException. Source: serialwin32.py; not tried at all
low        Linux    ASYNC_LOW_LATENCY, see ``usb.latency``. Source: serialposix.py,
latency             ftdi_sio.c; a pty refuses it, tried
           macOS    no call: pyserial raises NotImplementedError. Source: serialposix.py;
                    not tried at all
           Windows  no call: the attribute is missing; set in the driver's own dialogue.
                    Source: serialwin32.py, application note AN232B-04; not tried at all
RTS, DTR   Linux    raised together at opening, before anybody can say otherwise.
                    Source: serial core of the kernel; a pty has none, tried
           macOS    the same, from memory; not tried at all
           Windows  as the DCB says, set at opening, from memory; not tried at all
unplugged  Linux    read: SerialException; in_waiting: OSError 5; settings: termios.error.
                    Source: serialposix.py; tried with the master closed
           macOS    SerialException with errno 6. Source: pyserial report 458; not tried
           Windows  SerialException "ClearCommError failed". Source: serialwin32.py; not
                    tried at all
imports    Linux    termios, fcntl
           macOS    termios, fcntl; no termios2
           Windows  neither: imports of them here are guarded
signals    Linux    SIGINT, SIGTERM, SIGHUP, see ``ending``; tried
           macOS    the same. Source: signal(3); not tried at all
           Windows  SIGINT and SIGBREAK only. Source: Python's signal; not tried at all
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import serial

from harness.driver.usb import device_tree
from harness.driver.usb.chips import kind_of
from harness.driver.usb.names import port_named, stable_name
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    PortAbsent,
    PortBusy,
    PortForbidden,
    PortUnsuitable,
    UsageError,
)

_termios: Any
try:
    import termios as _termios
except ImportError:  # no termios on this system
    _termios = None
_termios_error: type[Exception] = OSError if _termios is None else _termios.error

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
    # on Windows pyserial gives no number, only the text of the system's exception
    if (
        number in {errno.ENOENT, errno.ENODEV, errno.ENXIO}
        or "FileNotFoundError" in text
    ):
        return PortAbsent("there is no such port", where=url)
    if "PermissionError(13" in text:
        return PortBusy("the port is in use", where=url)
    if number in {errno.EACCES, errno.EPERM}:
        return PortForbidden("this user may not open the port", where=url)
    if number in {errno.EBUSY, errno.EAGAIN}:
        return PortBusy("the port is in use", where=url)
    if number == errno.ECONNREFUSED or ("Could not open port" in text and "://" in url):
        return PortAbsent(f"no server answers at this address ({text})", where=url)
    return PortUnsuitable(f"the port cannot be used ({text})", where=url)


Opener = Callable[[str, int], Any]
"""Opens a port by URL and rate, as ``open_port`` does."""


def open_port(url: str, baud: int) -> Any:  # noqa: ANN401 - the class depends on the URL
    """Open a port by name or URL, locked for this process.

    Args:
        url: a device name or any pyserial URL.
        baud: first rate, one that every port takes.

    Raises:
        UsageError: the URL's scheme is not known.
        PortAbsent, PortAmbiguous, PortBusy, PortForbidden, PortUnsuitable: as named.
    """
    if HANDLER_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(HANDLER_PACKAGE)
    found = port_named(url)  # pyserial would take the first of several
    name = found.device if found and url.lower().startswith("hwgrep://") else url
    native = "://" not in name
    try:
        port = serial.serial_for_url(name, do_not_open=True)
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
        keep_breaks(port)
    except (serial.SerialException, OSError, ValueError, _termios_error) as cause:
        with suppress(Exception):
            port.close()
        raise _open_failure(cause, url) from cause
    return port


def keep_breaks(port: Any) -> None:  # noqa: ANN401 - the class depends on the URL
    """Have a break come through as a 00h where the system would flush the echoes for it.

    pyserial leaves two flags as the last user of the port set them: BRKINT flushes what
    came before a break, IGNPAR drops what came with one. Rates set later keep this.
    """
    handle = getattr(port, "fd", None)
    if _termios is None or not isinstance(handle, int):
        return
    settings = _termios.tcgetattr(handle)
    settings[0] &= ~(_termios.BRKINT | _termios.IGNPAR)
    _termios.tcsetattr(handle, _termios.TCSANOW, settings)


def close_port(port: Any) -> None:  # noqa: ANN401 - the class depends on the URL
    """Close a port, and what pyserial 3.5 leaves open of it.

    With the peer gone, a network port's close gives up before its socket is closed.
    """
    left = getattr(port, "_socket", None)
    port.close()
    if left is not None:
        left.close()


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
    ports = device_tree.here.ports()
    return [
        FoundAdapter(
            device=port.device,
            stable_port=stable_name(port, ports),
            kind=kind_of(port),
            description=f"{port.product_text or port.description or 'adapter'}, "
            f"USB {port.vendor:04X}:{port.product:04X}, serial number "
            f"{port.serial_number or 'none'}, position {port.location or 'unknown'}",
        )
        for port in ports
        if port.is_usb
    ]
