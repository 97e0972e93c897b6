"""Names of adapters that lead to one adapter only, and finding an adapter again.

Rule 1: a name that is offered leads to exactly one port of this machine, and goes on
doing so when the others are plugged in another order.
Rule 2: a serial number names an adapter only if it can: two of one make may carry the
same number of the factory. Where it cannot, the USB position does.
Rule 3: what leads to several ports, or may lead to another adapter than before, is an
error that says so, never a guess.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit

from harness.driver.usb import device_tree
from harness.driver.usb.device_tree import HostPort
from harness.errors import PortAbsent, PortAmbiguous, UsageError

_GREP = "hwgrep://"
_WRAPPERS = ("spy://", "alt://")
"""Schemes of pyserial that open a native port by its name."""

_SHORTEST_NUMBER = 6
"""A serial number of fewer characters is a place holder such as 0001 (from memory)."""


def is_native(name: str) -> bool:
    """True of a device name or a search for one; False of every other URL."""
    return "://" not in name or name.lower().startswith(_GREP)


def names_one(serial_number: str) -> bool:
    """False of serial numbers that a factory gives to all: none, short, or counting up.

    ``0001``, ``00000000``, ``12345678`` and ``0123456789ABCDEF`` are such (from memory).
    """
    number = serial_number.upper()
    if len(number) < _SHORTEST_NUMBER or len(set(number)) == 1:
        return False
    return number not in "0123456789ABCDEF" and number not in "1234567890"


def is_alone(port: HostPort, ports: Iterable[HostPort]) -> bool:
    """True if no other adapter among ``ports`` has this port's serial number."""
    return not any(
        other.serial_number == port.serial_number and other.position != port.position
        for other in ports
        if other.is_usb
    )


def _has_number(port: HostPort, ports: Iterable[HostPort]) -> bool:
    return names_one(port.serial_number) and is_alone(port, ports)


# -- from an adapter to its name ------------------------------------------------------


def stable_name(port: HostPort, ports: tuple[HostPort, ...]) -> str:
    """What to write as ``port`` of a fixture for this adapter; see the rules above."""
    by_number = _has_number(port, ports)
    offered = [
        *(link for link in port.links if ("/by-id/" in link) == by_number),
        *_patterns(port, by_number=by_number),
    ]
    for name in offered:
        if matches(name, ports) == (port,):
            return name
    return port.device


def _patterns(port: HostPort, *, by_number: bool) -> list[str]:
    """Searches for one adapter, most lasting first; each is anchored at both ends."""
    found = []
    place = rf"\bLOCATION={_literal(port.location)}(?!\S)"
    if by_number:
        number = rf"\bSER={_literal(port.serial_number)}(?!\S)"
        suffix = port.location.removeprefix(port.position)
        found = [f"{_GREP}{number}"]
        if suffix:  # one number for all ports of the chip: the interface decides
            found.append(rf"{_GREP}{number}\sLOCATION=\S+{_literal(suffix)}(?!\S)")
    if port.location:
        found.append(f"{_GREP}{place}")
    return found


def _literal(text: str) -> str:
    """Text for a pattern inside a URL, where ``&`` would begin an option."""
    return re.escape(text).replace(r"\&", r"\x26").replace("&", r"\x26")


# -- from a name to the adapter -------------------------------------------------------


def matches(
    name: str, ports: tuple[HostPort, ...] | None = None
) -> tuple[HostPort, ...]:
    """All ports that a name or URL leads to; empty for what is no port of this machine.

    Raises:
        UsageError: the pattern of a ``hwgrep://`` URL is none, or an option is unknown.
    """
    if not name.lower().startswith(_GREP):
        return _by_device(name, ports)
    pattern, *options = name[len(_GREP) :].split("&")
    try:
        wanted = re.compile(pattern, re.IGNORECASE)
    except re.error as cause:
        raise UsageError(
            f"the pattern behind {_GREP} cannot be read ({cause})",
            where=name,
            hint="`slotproof ports` prints the pattern of each adapter",
        ) from cause
    listed = device_tree.here.ports() if ports is None else ports
    found = tuple(
        port
        for port in listed
        if any(map(wanted.search, (port.device, port.description, port.hwid)))
    )
    for option in options:
        key, _, value = option.partition("=")
        if key != "n" or not value.isdigit() or not int(value):
            raise UsageError(
                f"{_GREP} has no option {option!r} here",
                where=name,
                hint="only n=1 and up; better a pattern that one adapter matches",
            )
        found = found[int(value) - 1 : int(value)]
    return found


def _by_device(name: str, ports: tuple[HostPort, ...] | None) -> tuple[HostPort, ...]:
    scheme = next((s for s in _WRAPPERS if name.startswith(s)), "")
    if "://" in name and not scheme:
        return ()
    plain = urlsplit(name).path if scheme else name
    if ports is not None:
        found = next((p for p in ports if plain in {p.device, *p.links}), None)
    else:
        found = device_tree.here.named(plain)
    return (found,) if found is not None else ()


def port_named(name: str) -> HostPort | None:
    """The port of this machine that a name or URL leads to; None if it is none of it.

    Raises:
        PortAbsent: no adapter matches the pattern.
        PortAmbiguous: several match, or a link by serial number leads to one of several
            adapters that share the number.
        UsageError: see ``matches``.
    """
    found = matches(name)
    if not found:
        if name.lower().startswith(_GREP):
            raise PortAbsent("there is no such port: no adapter matches", where=name)
        return None
    ports = device_tree.here.ports()
    if len(found) > 1:
        raise PortAmbiguous(
            f"{len(found)} adapters match: {_listed(found, ports)}", where=name
        )
    port = found[0]
    if "/by-id/" in name and not is_alone(port, ports):
        twins = tuple(
            other
            for other in ports
            if other.is_usb and other.serial_number == port.serial_number
        )
        raise PortAmbiguous(
            f"{len(twins)} adapters share the serial number {port.serial_number or 'none'}, "
            f"and this link leads to one of them: {_listed(twins, ports)}",
            where=name,
        )
    return port


def _listed(found: tuple[HostPort, ...], ports: tuple[HostPort, ...]) -> str:
    return ", ".join(f"{port.device} ({stable_name(port, ports)})" for port in found)


# -- an adapter that was there before -------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """An adapter as it was when it was opened.

    Attributes:
        port: its record then.
        by_number: True if its serial number was its alone.
    """

    port: HostPort
    by_number: bool

    def find(self) -> HostPort:
        """The same adapter's port now.

        By its serial number at any position if that is its alone, then and now; else by
        number and position together.

        Raises:
            PortAbsent: it is not there, or what is there may be another; says which.
        """
        ports = device_tree.here.ports()
        alike = [port for port in ports if self._is_alike(port)]
        if self.by_number and len(alike) == 1:
            return alike[0]
        there = self._at_its_position(alike)
        if there:
            return there[0]
        raise PortAbsent(self._why_not(alike), where=self.port.device)

    def _at_its_position(self, ports: list[HostPort]) -> list[HostPort]:
        there = [port for port in ports if port.location == self.port.location]
        if len(there) > 1:  # one position for all ports of a chip: the name decides
            there = [port for port in there if port.device == self.port.device]
        return there

    def _is_alike(self, port: HostPort) -> bool:
        was = self.port
        return (
            (port.vendor, port.product) == (was.vendor, was.product)
            and port.serial_number == was.serial_number
            and port.interface == was.interface
        )

    def _why_not(self, alike: list[HostPort]) -> str:
        number = self.port.serial_number or "none"
        place = self.port.location or "unknown"
        if not alike:
            return f"the adapter (serial number {number}, position {place}) is not back"
        others = ", ".join(port.location or port.device for port in alike)
        return (
            f"no adapter is at position {place}; one like it (serial number {number}) is at "
            f"{others}, and its number does not tell whether it is the same"
        )


def identity_of(port: HostPort | None) -> Identity | None:
    """By what an adapter is known again; None where USB reports nothing."""
    if port is None or not port.is_usb:
        return None
    by_number = _has_number(port, device_tree.here.ports())
    return Identity(port=port, by_number=by_number)
