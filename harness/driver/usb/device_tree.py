"""The one seam to the system's list of ports: records of them, and what a name stands for.

pyserial lists the ports; the links beside them are udev's. Tests put another tree in
the place of ``here``: a listing of their own and a folder with links.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports


@dataclass(frozen=True, slots=True, kw_only=True)
class HostPort:
    """A serial port of this machine, as the system lists it.

    Attributes:
        device: its name now, such as ``/dev/ttyUSB0`` or ``COM7``.
        vendor, product: USB numbers; None where it is not on USB.
        serial_number: of the adapter; empty if it has none.
        location: USB position as pyserial writes it, with the interface behind a colon
            on chips that have several; empty if unknown.
        product_text: what the adapter calls itself.
        description: what the system calls it.
        hwid: pyserial's line of it, by which ``hwgrep://`` finds it.
        links: names of udev for it, most telling first.
        has_timer: True if its driver offers a latency timer to set.
    """

    device: str
    vendor: int | None = None
    product: int | None = None
    serial_number: str = ""
    location: str = ""
    product_text: str = ""
    description: str = ""
    hwid: str = ""
    links: tuple[str, ...] = ()
    has_timer: bool = False

    @property
    def is_usb(self) -> bool:
        """True if it hangs on USB."""
        return self.vendor is not None and self.product is not None

    @property
    def position(self) -> str:
        """USB position of the adapter, without the interface."""
        return self.location.partition(":")[0]

    @property
    def interface(self) -> int | None:
        """Number of the interface on a chip that has several; None on others."""
        number = re.search(r":.*?(\d+)$", self.location)
        return int(number.group(1)) if number else None


class DeviceTree:
    """The ports of a machine.

    Args:
        listing: gives pyserial's records.
        dev: folder in which udev keeps its links.
        drivers: folder in which Linux shows what a driver of USB ports offers.
    """

    def __init__(
        self,
        listing: Callable[[], Iterable[Any]] = list_ports.comports,
        dev: Path = Path("/dev"),
        drivers: Path = Path("/sys/bus/usb-serial/devices"),
    ) -> None:
        self._listing = listing
        self._dev = dev
        self._drivers = drivers

    def ports(self) -> tuple[HostPort, ...]:
        """Every port there is now, in order of their names (COM10 behind COM9)."""
        links = self._links()
        found = [
            HostPort(
                device=info.device,
                vendor=info.vid,
                product=info.pid,
                serial_number=info.serial_number or "",
                location=info.location or "",
                product_text=info.product or "",
                description=info.description or "",
                hwid=info.hwid or "",
                links=tuple(links.get(os.path.realpath(info.device), ())),
                has_timer=(self._drivers / info.name / "latency_timer").exists(),
            )
            for info in self._listing()
        ]
        return tuple(sorted(found, key=lambda port: _by_number(port.device)))

    def named(self, name: str) -> HostPort | None:
        r"""The port with this device name, or to which a link of this name leads.

        Windows also takes ``com7`` and ``\\.\COM7``; macOS lists ``cu`` devices and
        has a ``tty`` beside each.
        """
        wanted = {name, os.path.realpath(name), name.replace("/dev/tty.", "/dev/cu.")}
        com = name.removeprefix("\\\\.\\").upper()
        for port in self.ports():
            device = port.device
            if device in wanted or os.path.realpath(device) in wanted:
                return port
            if com.startswith("COM") and device.upper() == com:
                return port
        return None

    def _links(self) -> dict[str, list[str]]:
        """Devices by their real path, with udev's links to them: by number, by position."""
        found: dict[str, list[str]] = {}
        for folder in ("by-id", "by-path"):
            for link in sorted((self._dev / "serial" / folder).glob("*")):
                found.setdefault(os.path.realpath(link), []).append(str(link))
        return found


def _by_number(device: str) -> list[tuple[int, str]]:
    """Sorting key under which numbers in a name count as numbers."""
    parts = re.split(r"(\d+)", device)
    return [(int(part), "") if part.isdigit() else (-1, part) for part in parts]


here = DeviceTree()
"""The tree of this machine."""
