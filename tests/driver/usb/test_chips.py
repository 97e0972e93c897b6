"""USB numbers and the clock grid behind them; the table against the kernel's own aliases."""

from __future__ import annotations

import pytest

from harness.driver.adapter import Adapter
from harness.driver.port import list_adapters
from harness.driver.usb.chips import CHIPS, chip_of, kind_of
from harness.driver.usb.device_tree import HostPort
from harness.driver.usb.names import port_named
from harness.wire.clock_grid import GRIDS
from tests.device_trees import CONSTELLATIONS, Machine, Plugged

# Aliases of the compiled drivers of Linux 6.1.192 (Debian), as ``modinfo`` prints them;
# of ftdi_sio and cp210x only those of the chip makers themselves.
ALIASES = {
    0x0403: {
        0x6001, 0x6002, 0x6006, 0x6010, 0x6011, 0x6014, 0x6015, 0x6040, 0x6041, 0x6042,
        0x6043, 0x6044, 0x6045, 0x6048,
    },
    0x10C4: {0xEA60, 0xEA61, 0xEA63, 0xEA70, 0xEA71, 0xEA7A, 0xEA7B},
    0x1A86: {0x5523, 0x7522, 0x7523},
    0x4348: {0x5523},
    0x067B: {0x2303, 0x2304, 0x23A3, 0x23B3, 0x23C3, 0x23D3, 0x23E3, 0x23F3},
}  # fmt: skip


def test_numbers_are_those_of_the_drivers() -> None:
    """Each row that names a driver's table is in that driver's aliases; the rest says so."""
    for row in CHIPS:
        assert (row.product in ALIASES.get(row.vendor, set())) != (
            "CDC-ACM" in row.source
        )
    numbers = {(row.vendor, row.product) for row in CHIPS}
    # 6002h is a number of the driver that no chip of the table has
    assert {(v, p) for v, every in ALIASES.items() for p in every} - numbers == {
        (0x0403, 0x6002)
    }


def test_numbers_of_modem_class_chips() -> None:
    """Chips that need no driver of their own: the maker's data sheets, from memory."""
    assert {(row.vendor, row.product) for row in CHIPS if "CDC-ACM" in row.source} == {
        (0x1A86, 0x55D2), (0x1A86, 0x55D3), (0x1A86, 0x55D4), (0x1A86, 0x55D5),
        (0x04D8, 0x00DD),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("numbers", "interface", "kind"),
    [
        # ftdi_sio.c: 3 MHz of the B, R and X series, 12 MHz of the H series
        ((0x0403, 0x6015), None, "fractional-divider"),
        ((0x0403, 0x6014), None, "fast-fractional-divider"),
        # cp210x.c: the second interface of a CP2105 has a table, the first divides
        ((0x10C4, 0xEA70), 0, "integer-divider"),
        ((0x10C4, 0xEA70), 1, "rate-table"),
        ((0x10C4, 0xEA70), None, "integer-divider"),
        # pl2303.c: TB has a divider of its own, the HXN generation none that is published
        ((0x067B, 0x2304), None, "wide-mantissa-exponent"),
        ((0x067B, 0x23A3), None, "unknown"),
        # the vendor counts as well as the product
        ((0x4348, 0x5523), None, "prescaled-divider"),
        ((0x4348, 0x7523), None, "unknown"),
    ],
)
def test_kind_by_numbers(
    numbers: tuple[int, int], interface: int | None, kind: str
) -> None:
    """By the drivers of the Linux kernel."""
    place = "" if interface is None else f"1-1:1.{interface}"
    port = HostPort(device="x", vendor=numbers[0], product=numbers[1], location=place)
    assert port.interface == interface
    assert port.position == ("1-1" if place else "")
    assert kind_of(port) == kind


def test_every_row_has_a_source_and_a_grid() -> None:
    """No row without a source; each kind is a grid; no two rows are about the same."""
    assert all(row.kind in GRIDS and ":" in row.source for row in CHIPS if row.kind)
    keys = [(row.vendor, row.product, row.text, row.interface) for row in CHIPS]
    assert len(set(keys)) == len(keys)
    assert len({(row.vendor, row.product) for row in CHIPS}) >= 30


def test_told_apart_under_one_number(machine: Machine) -> None:
    """Product text and interface tell chips apart that share their numbers."""
    two = (0x10C4, 0xEA70)
    machine.plug(
        Plugged(device="COM1", usb=(0x10C4, 0xEA60), text="CP2102N USB to UART Bridge"),
        Plugged(device="COM2", usb=(0x10C4, 0xEA60), text="CP2102 USB to UART Bridge"),
        Plugged(device="COM3", usb=two, location="1-1:1.0"),
        Plugged(device="COM4", usb=two, location="1-1:1.1"),
        Plugged(device="COM5", usb=(0x1234, 0x5678)),
        Plugged(device="COM6", usb=(0x1A86, 0x55D4)),
    )
    kinds = [kind_of(port) for port in machine.tree.ports()]
    assert kinds == [
        "integer-divider", "rate-table", "integer-divider", "rate-table", "unknown",
        "unknown",
    ]  # fmt: skip
    assert chip_of(machine.port("COM5")) is None
    assert chip_of(machine.port("COM6")) is not None
    assert kind_of(None) == "unknown"


@pytest.mark.parametrize("which", CONSTELLATIONS)
def test_known_by_any_name(machine: Machine, which: str) -> None:
    """The chip is the same by device name, by link and by each search that is offered."""
    machine.plug(*CONSTELLATIONS[which])
    for port in machine.tree.ports():
        if not port.is_usb:
            continue
        names = {port.device, *(f.stable_port for f in list_adapters() if f.device == port.device)}  # fmt: skip
        names |= {link for link in port.links if "by-path" in link}
        assert {kind_of(port_named(name)) for name in names} == {kind_of(port)}


def test_an_adapter_that_is_not_open_knows_nothing() -> None:
    """Before it is opened nobody has asked USB."""
    adapter = Adapter("/dev/ttyUSB0")
    assert adapter.grid.kind == "unknown"
    assert adapter.is_unknown
    assert not Adapter("/dev/ttyUSB0", kind="exact").is_unknown
