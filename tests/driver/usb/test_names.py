"""A name leads to one adapter, and an adapter is found again or not at all."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations

import pytest

from harness.driver.port import list_adapters
from harness.driver.usb.names import (
    identity_of,
    is_native,
    matches,
    names_one,
    port_named,
    stable_name,
)
from harness.errors import PortAbsent, PortAmbiguous, UsageError
from tests.device_trees import CONSTELLATIONS, CP, FT, Machine, _linux

ALL = pytest.mark.parametrize("which", CONSTELLATIONS)


@ALL
def test_a_name_leads_to_one_port(machine: Machine, which: str) -> None:
    """Each name that is offered is unique on its machine and leads back to its port."""
    machine.plug(*CONSTELLATIONS[which])
    ports = machine.tree.ports()
    usb = [port for port in ports if port.is_usb]
    names = [stable_name(port, ports) for port in usb]
    assert len(set(names)) == len(names)
    for port, name in zip(usb, names, strict=True):
        assert matches(name, ports) == (port,)
        assert port_named(name) == port
    assert [found.stable_port for found in list_adapters()] == names


@pytest.mark.parametrize(
    ("which", "device", "position"),
    [("no links of udev", "ttyUSB1", "1-2"), ("Windows", "COM10", "1-2")],
)
def test_a_name_by_position(
    machine: Machine, which: str, device: str, position: str
) -> None:
    """Without links and a number of its own an adapter is named by where it is plugged in.

    The name leads to it under any device name, and to no position that begins alike.
    """
    plugged = CONSTELLATIONS[which]
    machine.plug(*plugged)
    name = stable_name(machine.port(device), machine.tree.ports())
    assert name == rf"hwgrep://\bLOCATION={re.escape(position)}(?!\S)"
    moved = {"ttyUSB1": "ttyUSB7", "COM10": "COM77"}[device]
    machine.plug(*(replace(p, device=moved) if p.device == device else p for p in plugged))  # fmt: skip
    assert [port.location for port in matches(name)] == [position]
    assert port_named(name) == machine.port(moved)


@ALL
def test_a_name_never_leads_elsewhere(machine: Machine, which: str) -> None:
    """With any one adapter pulled out, its name leads nowhere: never to its neighbour."""
    plugged = CONSTELLATIONS[which]
    machine.plug(*plugged)
    ports = machine.tree.ports()
    names = {port.device: stable_name(port, ports) for port in ports if port.is_usb}
    for gone in plugged:
        if gone.usb is None:
            continue
        machine.plug(*(port for port in plugged if port is not gone))
        left = matches(names[machine.name_of(gone)])
        assert machine.name_of(gone) not in {port.device for port in left}
        assert left == ()


@ALL
def test_pyserial_finds_the_same(machine: Machine, which: str) -> None:
    """The patterns are ones that pyserial's own search reads in the same way."""
    machine.plug(*CONSTELLATIONS[which])
    for adapter in list_adapters():
        if not adapter.stable_port.startswith("hwgrep://"):
            continue
        pattern, *options = adapter.stable_port[len("hwgrep://") :].split("&")
        assert options == []
        assert [
            port.device
            for port in machine.tree.ports()
            if re.search(pattern, port.hwid, re.IGNORECASE)
        ] == [adapter.device]


@ALL
def test_replugged_in_any_other_order(machine: Machine, which: str) -> None:
    """Two Linux adapters that swap device names are both found again where they are."""
    plugged = CONSTELLATIONS[which]
    for one, other in combinations([p for p in plugged if p.usb and p.by_path], 2):
        machine.plug(*plugged)
        before = machine.port(one.device)
        identity = identity_of(before)
        assert identity is not None
        swapped = replace(one, device=other.device), replace(other, device=one.device)
        machine.plug(*(p for p in plugged if p not in {one, other}), *swapped)
        found = identity.find()
        assert (found.device, found.location) == (
            machine.name_of(other),
            before.location,
        )


def test_moved_hub(machine: Machine) -> None:
    """Behind a hub in another socket an adapter is known by a number of its own only."""
    unique = _linux(0, FT, "FTB6SPL3", "1-1.2", "UART")
    twins = [_linux(n, CP, "0001", f"1-1.{n + 2}", "Bridge") for n in (1, 2)]
    machine.plug(unique, *twins)
    known = [identity_of(machine.port(f"ttyUSB{n}")) for n in range(3)]
    machine.plug(
        *(replace(p, location=str(p.location).replace("1-1", "1-4")) for p in (unique, *twins))
    )  # fmt: skip
    assert known[0] is not None
    assert known[0].find().location == "1-4.2"
    for identity in known[1:]:
        assert identity is not None
        with pytest.raises(PortAbsent, match="does not tell whether it is the same"):
            identity.find()


def test_the_other_one_came_back(machine: Machine) -> None:
    """With its own adapter gone, a place does not take the other of the same number."""
    one, other = CONSTELLATIONS["two equal serial numbers"]
    machine.plug(one, other)
    identity = identity_of(machine.port("ttyUSB0"))
    machine.plug(replace(other, device="ttyUSB0"))
    assert identity is not None
    with pytest.raises(PortAbsent, match="1-10"):
        identity.find()
    machine.plug(replace(other, device="ttyUSB0"), replace(one, device="ttyUSB1"))
    assert identity.find().location == "1-1"


def test_a_twin_joins_later(machine: Machine) -> None:
    """A number that was unique at opening and is not any more does not count alone."""
    one, other = CONSTELLATIONS["two equal long serial numbers"]
    machine.plug(one)
    identity = identity_of(machine.port("ttyUSB0"))
    assert identity is not None
    assert identity.by_number
    machine.plug(replace(other, device="ttyUSB0"), replace(one, device="ttyUSB1"))
    assert identity.find().location == one.location
    machine.plug(*(replace(p, location=f"2-{n}") for n, p in enumerate((one, other))))
    with pytest.raises(PortAbsent, match="does not tell"):
        identity.find()


def test_a_link_that_two_adapters_share(machine: Machine) -> None:
    """Udev's link by number leads to one of two twins: refused, with names that tell them apart."""
    plugged = CONSTELLATIONS["two equal serial numbers"]
    machine.plug(*plugged)
    link = next(name for name in machine.port("ttyUSB1").links if "by-id" in name)
    with pytest.raises(PortAmbiguous, match="share the serial number 0001") as raised:
        port_named(link)
    assert all(f.stable_port in str(raised.value) for f in list_adapters())


def test_a_search_that_several_match(machine: Machine) -> None:
    """A pattern that two adapters match is refused; ``n`` picks by place from 1 on."""
    machine.plug(*CONSTELLATIONS["two equal serial numbers"])
    with pytest.raises(PortAmbiguous, match="2 adapters match"):
        port_named(r"hwgrep://LOCATION=1\-1")
    for n in (1, 2):
        found = port_named(rf"hwgrep://LOCATION=1\-1&n={n}")
        assert found == machine.port(f"ttyUSB{n - 1}")


@pytest.mark.parametrize(
    "name", ["hwgrep://(", "hwgrep://SER=1&n=0", "hwgrep://SER=1&skip_busy"]
)
def test_a_search_that_cannot_be(machine: Machine, name: str) -> None:
    """A pattern or an option that cannot be read is the user's to mend."""
    machine.plug(*CONSTELLATIONS["one adapter"])
    with pytest.raises(UsageError):
        port_named(name)


def test_nothing_matches(machine: Machine) -> None:
    """A search that matches nothing is an absent port; other names are not ours to judge."""
    machine.plug(*CONSTELLATIONS["one adapter"])
    with pytest.raises(PortAbsent):
        port_named("hwgrep://SER=OTHER")
    for name in ("sim://", "rfc2217://host:1", "/dev/ttyUSB7", "COM9"):
        assert port_named(name) is None


@pytest.mark.parametrize(
    ("name", "device"),
    [
        ("com10", "COM10"),
        ("\\\\.\\COM10", "COM10"),
        ("COM3", "COM3"),
        ("/dev/tty.usbserial-2110", "/dev/cu.usbserial-2110"),
        ("spy:///dev/cu.usbserial-2110?file=x", "/dev/cu.usbserial-2110"),
    ],
)
def test_other_ways_to_write_a_name(machine: Machine, name: str, device: str) -> None:
    """Case, prefix and twin names of other systems, and URLs around a name."""
    machine.plug(*CONSTELLATIONS["Windows"], *CONSTELLATIONS["macOS"])
    found = port_named(name)
    assert found is not None
    assert found.device == device


@pytest.mark.parametrize(
    "number", ["", "0001", "00000000", "12345678", "0123456789ABCDEF", "123456"]
)
def test_numbers_of_the_factory(number: str) -> None:
    """Place holders identify nobody (from memory); a number of eight signs does."""
    assert not names_one(number)
    assert names_one("A50285XQ")


@pytest.mark.parametrize(
    ("number", "names"),
    [
        ("A5028", False),  # five signs are too few
        ("A50285", True),
        ("FFFFFF", False),
        ("FFFFFE", True),
        ("345678", False),  # counting up from anywhere
        ("456789ABCDEF", False),
        ("cdefab", True),
        ("567890", False),
        ("789abc", False),
    ],
)
def test_numbers_that_count_up(number: str, names: bool) -> None:
    """Six signs that neither count up nor are all one (from memory of such adapters)."""
    assert names_one(number) is names


def test_options_of_a_search(machine: Machine) -> None:
    """``n`` counts from 1 and beyond the last names nobody; every other option is refused."""
    machine.plug(*CONSTELLATIONS["two equal serial numbers"])
    ports = machine.tree.ports()
    every = r"hwgrep://LOCATION=1\-1"
    assert matches(every) == ports
    assert matches(f"{every}&n=1") == ports[:1]
    assert matches(f"{every}&n=2") == ports[1:]
    assert matches(f"{every}&n=3") == ()
    for option in ("n=", "n=x", "n=-1", "m=1", "n"):
        with pytest.raises(UsageError, match="has no option"):
            matches(f"{every}&{option}")


@pytest.mark.parametrize(
    ("name", "native"),
    [
        ("/dev/ttyUSB0", True),
        ("COM7", True),
        ("hwgrep://SER=1", True),
        ("HWGREP://SER=1", True),
        ("socket://host:1", False),
        ("spy:///dev/ttyUSB0", False),
    ],
)
def test_native_names(name: str, native: bool) -> None:
    """A device name or a search for one; no other URL."""
    assert is_native(name) is native


def test_a_number_that_joins_two_ports_of_one_chip(machine: Machine) -> None:
    """Ports of one chip share number and position: the interface is in the name."""
    plugged = [
        replace(port, by_id="", by_path="")
        for port in CONSTELLATIONS["two chips with two ports each"]
    ]
    machine.plug(*plugged)
    ports = machine.tree.ports()
    names = [stable_name(port, ports) for port in ports]
    assert all(
        name.startswith("hwgrep://") and "SER=" in name and "LOCATION=" in name
        for name in names
    )
    # a single port of one needs no interface
    single = machine.tree.ports()[:1]
    assert "LOCATION" not in stable_name(single[0], single)


def test_what_has_no_number_of_usb_is_known_by_nothing(machine: Machine) -> None:
    """A port on the board has no identity; one on USB has."""
    machine.plug(*CONSTELLATIONS["one of each"])
    for port in machine.tree.ports():
        assert (identity_of(port) is None) is not port.is_usb
    assert identity_of(None) is None
