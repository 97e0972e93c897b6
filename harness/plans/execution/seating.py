"""Which device sits in which socket, as far as the fixture and a search show.

A ROM code in the fixture ties a device to its socket. Where a socket names a family
only, the one device of that family that no socket names sits there, provided that no
other socket could hold it. In every other case the doubt is put into words, with the
line of the fixture that ends it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from harness.driver.session import SocketFacts
from harness.families.batteries.sense_resistor import SENSE_KEY
from harness.plans.schema.fixture import Fixture, Socket
from harness.wire.romcode import RomCode


@dataclass(frozen=True, slots=True, kw_only=True)
class Seating:
    """Devices and their sockets.

    Attributes:
        tied: ROM code -> name of the socket, of those that the fixture does not name.
        facts: ROM code -> a socket that says what holds for this device: its own, or
            one of several that all say the same.
        doubts: ROM code -> why its socket is not known, and the line to write; only
            where a socket says something that would matter.
        untied: name of a socket -> the same, of every socket that this leaves without
            a device.
    """

    tied: Mapping[str, str] = field(default_factory=dict)
    facts: Mapping[str, Socket] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)
    untied: Mapping[str, str] = field(default_factory=dict)

    def about(self, code: str) -> SocketFacts:
        """What a session with a device knows of its socket from the beginning."""
        socket = self.facts.get(code)
        doubt = self.doubts.get(code, "")
        if socket is None:
            return SocketFacts(doubt=doubt)
        sense_mohm = socket.expect.sense_mohm
        return SocketFacts(
            loop_backs=socket.loop_backs,
            memory={} if sense_mohm is None else {SENSE_KEY: sense_mohm},
            doubt=doubt,
        )


def seat(fixture: Fixture, found: Iterable[str]) -> Seating:
    """The seating of the devices that a search found.

    Args:
        fixture: sockets and what they expect.
        found: ROM codes in print form.
    """
    codes = set(found)
    named = {s.expect.rom_code: s for s in fixture.sockets if s.expect.rom_code}
    seating = _Known(facts={c: named[c] for c in codes & set(named)})
    for family, rivals in _by_family(codes - set(named)).items():
        places = _places(fixture, family, codes)
        if places.is_certain and len(rivals) == 1:
            (socket,) = places.expecting
            seating.tied[rivals[0]] = socket.name
            seating.facts[rivals[0]] = socket
        else:
            seating.leave_open(rivals, places, family)
    return Seating(
        tied=seating.tied,
        facts=seating.facts,
        doubts=seating.doubts,
        untied=seating.untied,
    )


@dataclass(slots=True)
class _Known:
    """A seating while it is worked out."""

    facts: dict[str, Socket]
    tied: dict[str, str] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    untied: dict[str, str] = field(default_factory=dict)

    def leave_open(self, rivals: Sequence[str], places: _Places, family: int) -> None:
        """Note that their sockets are not known, which matters where sockets differ."""
        doubt = partial(_doubt, rivals=rivals, places=places, family=family)
        self.untied |= {s.name: doubt(s, code=rivals[0]) for s in places.expecting}
        if places.all_alike and len(rivals) <= len(places.expecting):
            self.facts |= dict.fromkeys(rivals, places.expecting[0])
        elif telling := places.telling:
            self.doubts |= {code: doubt(telling[0], code=code) for code in rivals}


def _by_family(codes: Iterable[str]) -> dict[int, list[str]]:
    """ROM codes of each family, both in order."""
    grouped: dict[int, list[str]] = {}
    for code in codes:
        grouped.setdefault(RomCode.parse(code).family, []).append(code)
    return {family: sorted(grouped[family]) for family in sorted(grouped)}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Sockets that may hold a device of one family that none of them names.

    Attributes:
        expecting: those that expect the family.
        open: those that expect nothing in particular.
        missing: those that name a device of the family that was not found, and may
            hold another one in its place.
    """

    expecting: list[Socket]
    open: list[Socket]
    missing: list[Socket]

    @property
    def is_certain(self) -> bool:
        return len(self.expecting) == 1 and not self.open and not self.missing

    @property
    def telling(self) -> list[Socket]:
        """Those among them of which the fixture says more than what they expect."""
        return [s for s in (*self.expecting, *self.open) if says_more(s)]

    @property
    def all_alike(self) -> bool:
        """True if it does not matter which of them it is."""
        said = [(s.loop_backs, s.expect) for s in self.expecting]
        alike = bool(said) and all(one == said[0] for one in said)
        return alike and not self.open and not self.missing


def _places(fixture: Fixture, family: int, codes: set[str]) -> _Places:
    places = _Places(expecting=[], open=[], missing=[])
    for socket in fixture.unit_sockets:
        expect = socket.expect
        if expect.rom_code:
            if expect.rom_code not in codes and expect.family_code == family:
                places.missing.append(socket)
        elif expect.family == family:
            places.expecting.append(socket)
        elif expect.family is None:
            places.open.append(socket)
    return places


def says_more(socket: Socket) -> bool:
    """True if the fixture says something about the socket that a run needs there."""
    expect = socket.expect
    return bool(socket.loop_backs or expect.sense_mohm or expect.no_load)


def _doubt(
    socket: Socket, rivals: Sequence[str], places: _Places, family: int, code: str
) -> str:
    which = [f"{s.name} expects family {family:02X}h" for s in places.expecting]
    which += [f"{s.name} expects nothing in particular" for s in places.open]
    which += [f"{s.name} misses its own {s.expect.rom_code}" for s in places.missing]
    return (
        f"which device sits in socket {socket.name} is not known: "
        f"{_counted(len(rivals), 'device')} of family {family:02X}h "
        f"({', '.join(rivals)}) may sit in {_counted(len(which), 'socket')} "
        f"({'; '.join(which)}); write {line_to_write(socket, code)}"
    )


def _counted(count: int, name: str) -> str:
    return f"{count} {name}{'' if count == 1 else 's'}"


def outlook(fixture: Fixture) -> Iterator[str]:
    """What a run will not know about sockets without a ROM code, reported before it."""
    without = [s for s in fixture.unit_sockets if not s.expect.rom_code]
    for socket in filter(says_more, without):
        yield f"socket {socket.name}: {_said(socket)} {_outlook_of(socket, fixture)}"


def _outlook_of(socket: Socket, fixture: Fixture) -> str:
    family, line = socket.expect.family, line_to_write(socket)
    if family is None:
        return (
            f"will never apply, for nothing says which device sits there; write {line}"
        )
    codes = {s.expect.rom_code or "" for s in fixture.sockets}
    places = _places(fixture, family, codes)
    if places.is_certain:
        return (
            f"will apply while a search finds exactly one device of family {family:02X}h "
            f"that no socket names; to be sure write {line}"
        )
    if places.all_alike:
        alike = ", ".join(s.name for s in places.expecting)
        return (
            f"will apply to each device of family {family:02X}h that no socket names, for "
            f"{alike} all say the same; results name no socket; to have them write {line}"
        )
    others = [s.name for s in (*places.expecting, *places.open) if s != socket]
    return (
        f"will not apply, for a device of family {family:02X}h may as well sit in "
        f"{', '.join(others)}; write {line}"
    )


def _said(socket: Socket) -> str:
    expect = socket.expect
    said = [("loop_backs", socket.loop_backs), ("sense_mohm", expect.sense_mohm),
            ("no_load", expect.no_load)]  # fmt: skip
    return " and ".join(name for name, value in said if value)


def line_to_write(socket: Socket, rom_code: str = "") -> str:
    """The line of the fixture that ties a device to a socket.

    Args:
        socket: the socket.
        rom_code: a device that may sit there; empty if none is known.
    """
    if not rom_code:
        return (
            f"`rom_code:` with its 16 hex digits under expect of socket {socket.name}"
        )
    return (
        f"`rom_code: {rom_code}` under expect of socket {socket.name} if it is that one"
    )
