"""Machines with adapters plugged in, as pyserial and udev show them; none of them is here.

Each constellation is written down as such machines look (device names, USB numbers,
positions, udev's link names: pyserial 3.5's listings and udev's 60-serial.rules, from
memory); serial numbers are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from serial.tools.list_ports_common import ListPortInfo

from harness.driver.usb.device_tree import DeviceTree, HostPort


@dataclass(frozen=True, kw_only=True)
class Plugged:
    """A port of an adapter as it is plugged in.

    Attributes:
        device: name that it gets; on Linux without the folder.
        usb: vendor and product number; None for a port that is not on USB.
        number: serial number.
        location: as pyserial writes it.
        text: product text.
        by_id, by_path: names of udev's links, empty where there is none.
        timer: True if its driver has a latency timer.
    """

    device: str
    usb: tuple[int, int] | None
    number: str | None = None
    location: str | None = None
    text: str | None = None
    by_id: str = ""
    by_path: str = ""
    timer: bool = False


def _linux(
    n: int,
    usb: tuple[int, int],
    number: str | None,
    location: str,
    text: str,
    *,
    kind: str = "ttyUSB",
) -> Plugged:
    """A port of Linux with the links that udev gives it."""
    place, _, interface = location.partition(":")
    bus_path = place.partition("-")[2]
    part = interface.partition(".")[2] or "0"
    maker = {0x0403: "FTDI", 0x10C4: "Silicon_Labs"}.get(usb[0], f"{usb[0]:04x}")
    named = f"usb-{maker}_{text.replace(' ', '_')}{f'_{number}' if number else ''}"
    port = "" if kind == "ttyACM" else "-port0"
    return Plugged(
        device=f"{kind}{n}",
        usb=usb,
        number=number,
        location=location,
        text=text,
        by_id=f"{named}-if{int(part):02d}{port}",
        by_path=f"pci-0000:00:14.0-usb-0:{bus_path}:1.{part}{port}",
        timer=usb[0] == 0x0403,
    )


FT, FT_FOUR, CP, CP_TWO, CH, PL = (
    (0x0403, 0x6001), (0x0403, 0x6011), (0x10C4, 0xEA60), (0x10C4, 0xEA70),
    (0x1A86, 0x7523), (0x067B, 0x2303),
)  # fmt: skip
_UART = "FT232R USB UART"
_BRIDGE = "CP2102 USB to UART Bridge Controller"

CONSTELLATIONS: dict[str, tuple[Plugged, ...]] = {
    "one adapter": (_linux(0, FT, "A50285XQ", "1-1", _UART),),
    "two equal serial numbers": (
        _linux(0, CP, "0001", "1-1", _BRIDGE),
        _linux(1, CP, "0001", "1-10", _BRIDGE),
    ),
    "two equal long serial numbers": (
        _linux(0, FT, "AB0JQ9WZ", "1-2.1", _UART),
        _linux(1, FT, "AB0JQ9WZ", "1-2.4", _UART),
    ),
    "no serial numbers": (
        _linux(0, CH, None, "1-1.2", "USB Serial"),
        _linux(1, CH, None, "1-1.20", "USB Serial"),
    ),
    "a chip with four ports": tuple(
        _linux(n, FT_FOUR, "FT4XK2LP", f"1-3:1.{n}", "Quad RS232-HS") for n in range(4)
    ),
    "two chips with two ports each": tuple(
        _linux(2 * chip + n, CP_TWO, number, f"3-{chip + 1}:1.{n}", "CP2105 Dual")
        for chip, number in enumerate(("00D3A9F1", "00D3A9F2"))
        for n in range(2)
    ),
    "one number is the end of another": (
        _linux(0, FT, "XA50285XQ", "1-1", _UART),
        _linux(1, FT, "A50285XQ", "1-11", _UART),
    ),
    "one of each": (
        _linux(0, FT, "FTB6SPL3", "1-1", _UART),
        _linux(1, CP, "0001", "1-2", _BRIDGE),
        _linux(2, CH, None, "1-3", "USB Serial"),
        _linux(3, PL, None, "1-4", "USB-Serial Controller"),
        _linux(0, (0x1A86, 0x55D4), "5323012345", "1-5:1.0", "USB Single Serial", kind="ttyACM"),
        Plugged(device="ttyS0", usb=None),
    ),
    "no links of udev": (
        replace(_linux(0, FT, "FTB6SPL3", "1-1", _UART), by_id="", by_path=""),
        replace(_linux(1, CP, "0001", "1-2", _BRIDGE), by_id="", by_path=""),
        replace(_linux(2, CP, "0001", "1-2.1", _BRIDGE), by_id="", by_path=""),
    ),
    "Windows": (
        Plugged(device="COM3", usb=FT, number="A50285XQA", location="1-1", text=None),
        Plugged(device="COM10", usb=CP, number="0001", location="1-2", text=None),
        Plugged(device="COM12", usb=CP, number="0001", location="1-12", text=None),
        Plugged(device="COM4", usb=CH, number="5&2B8A1C3&0&1", location="1-3", text=None),
        Plugged(device="COM5", usb=CP_TWO, number="00D3A9F1", location="1-4:x.0"),
        Plugged(device="COM6", usb=CP_TWO, number="00D3A9F1", location="1-4:x.1"),
    ),
    "macOS": (
        Plugged(device="/dev/cu.usbserial-A50285XQ", usb=FT, number="A50285XQ", location="20-1"),
        Plugged(device="/dev/cu.usbserial-2110", usb=CH, location="20-2.1"),
        Plugged(device="/dev/cu.usbserial-FT4XK2LP0", usb=FT_FOUR, number="FT4XK2LP", location="20-3"),
        Plugged(device="/dev/cu.usbserial-FT4XK2LP1", usb=FT_FOUR, number="FT4XK2LP", location="20-3"),
        Plugged(device="/dev/cu.Bluetooth-Incoming-Port", usb=None),
    ),
    "no position": (Plugged(device="COM3", usb=FT, number="A50285XQA"),),
}  # fmt: skip
"""Machines by what is special about them."""


class Machine:
    """A machine to plug adapters into: a listing as pyserial's, a folder with udev's links.

    Args:
        folder: stands for ``/dev`` and ``/sys``.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._plugged: tuple[Plugged, ...] = ()
        self._steps = 0
        self.tree = DeviceTree(self._listed, folder / "dev", folder / "drivers")

    def plug(self, *plugged: Plugged) -> None:
        """Have these adapters plugged in and no others."""
        self._plugged = plugged
        self._steps += 1
        self.tree._dev = self._folder / f"dev-{self._steps}"
        drivers = self._folder / "drivers"
        for port in plugged:
            if port.timer:
                (drivers / port.device).mkdir(parents=True, exist_ok=True)
                (drivers / port.device / "latency_timer").write_text("16\n")
            for folder, name in (("by-id", port.by_id), ("by-path", port.by_path)):
                if name:
                    self._link(folder, name, self.name_of(port))

    def _link(self, folder: str, name: str, device: str) -> None:
        place = self.tree._dev / "serial" / folder
        place.mkdir(parents=True, exist_ok=True)
        link = place / name
        link.unlink(missing_ok=True)  # of two that claim one name the last has it
        link.symlink_to(device)

    def name_of(self, port: Plugged) -> str:
        """The device name of a port."""
        if port.device.startswith("tty"):
            return str(self._folder / port.device)
        return port.device

    def port(self, device: str) -> HostPort:
        """The record of a port, by the last part of its device name."""
        return next(p for p in self.tree.ports() if p.device.endswith(device))

    def _listed(self) -> Iterator[ListPortInfo]:
        for port in self._plugged:
            info = ListPortInfo(self.name_of(port), skip_link_detection=True)
            if port.usb is not None:
                info.vid, info.pid = port.usb
                info.serial_number, info.location = port.number, port.location
                info.product = port.text
                info.apply_usb_info()
            yield info
