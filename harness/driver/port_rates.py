"""Setting any rate, and the stop bits with it, on a native Linux port.

pyserial 3.5 sets a rate outside its table with a second call that newer C
libraries refuse, and loses it again whenever another attribute is set. Linux
takes any rate in one call (termios2 with BOTHER), so native ports use that.

Source: Linux ioctl_tty(2), asm-generic termbits; pyserial change requests 805, 808.
"""

from __future__ import annotations

import errno
import struct
import sys
from typing import Any

from harness.errors import PortUnsuitable

_ioctl: Any
try:
    from fcntl import ioctl as _ioctl
except ImportError:  # not on every system
    _ioctl = None

_TERMIOS2 = struct.Struct("=4IB19s2I")
_TCGETS2 = 0x802C542A
_TCSETS2 = 0x402C542B
_CBAUD = 0o010017
_BOTHER = 0o010000
_CSTOPB = 0o000100
_BRKINT = 0o000002
_IGNPAR = 0o000004


def is_native(port: Any) -> bool:  # noqa: ANN401 - pyserial classes share no base for this
    """True for a Linux tty, where termios2 serves."""
    return (
        sys.platform == "linux"
        and _ioctl is not None
        and isinstance(getattr(port, "fd", None), int)
    )


def set_rate(port: Any, baud: int, stop_bits: int = 1) -> None:  # noqa: ANN401
    """Set the port's rate and the number of stop bits, 1 or 2.

    Raises:
        PortUnsuitable: the port does not take this rate.
        OSError, serial.SerialException: as the system says; the adapter
            translates them.
    """
    try:
        if is_native(port):
            _set_native(port, baud, stop_bits)
        else:
            if port.stopbits != stop_bits:
                port.stopbits = stop_bits
            port.baudrate = baud
    except (ValueError, OverflowError, struct.error) as cause:
        raise PortUnsuitable(f"the port refuses {baud} baud ({cause})") from cause
    except OSError as cause:
        if cause.errno != errno.EINVAL:
            raise
        raise PortUnsuitable(f"the port refuses {baud} baud ({cause})") from cause


def _set_native(port: Any, baud: int, stop_bits: int) -> None:  # noqa: ANN401
    fields = list(_TERMIOS2.unpack(_ioctl(port.fd, _TCGETS2, bytes(_TERMIOS2.size))))
    # A break must come through as a character, never flush the echoes.
    fields[0] &= ~(_BRKINT | _IGNPAR)
    fields[2] = fields[2] & ~(_CBAUD | _CSTOPB) | _BOTHER
    if stop_bits == 2:
        fields[2] |= _CSTOPB
    fields[6] = fields[7] = baud
    _ioctl(port.fd, _TCSETS2, _TERMIOS2.pack(*fields))


def reported_rate(port: Any) -> int:  # noqa: ANN401
    """The rate that the system reports back; often just the request.

    Source: drivers/usb/serial of the Linux kernel.
    """
    if not is_native(port):
        return int(port.baudrate)
    return int(_TERMIOS2.unpack(_ioctl(port.fd, _TCGETS2, bytes(_TERMIOS2.size)))[7])
