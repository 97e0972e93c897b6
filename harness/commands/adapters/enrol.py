"""`slotproof enrol`: from a live bus to a fixture file."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

from harness.commands.base import guesses_named, make_console, print_json
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.adapters import EnrolAnswer, EnrolledDevice
from harness.driver.adapter import Adapter
from harness.driver.bus import Bus
from harness.driver.usb import device_tree
from harness.driver.usb.names import port_named, stable_name
from harness.errors import NobodyAnswers, UsageError
from harness.families.registry import family_of
from harness.output import say
from harness.plans.enrolment.fixture_text import NewFixture, new_text, put_in
from harness.plans.enrolment.measuring import cable, temperatures, thermometers
from harness.plans.enrolment.sockets import (
    Ask,
    EnrolledSocket,
    Way,
    free_names,
    in_order,
    plugged_in,
    present,
    warmed,
)
from harness.plans.loading.files import load_fixture, parse_fixture
from harness.plans.records.guesses import NO_GUESSES, Guesses
from harness.plans.schema.files import Fixture
from harness.results.reports.whole_file import whole_file
from harness.simulation.servers.hands import SocketHands
from harness.simulation.servers.port import SimulatedPort
from harness.terminal import ConsoleOperator
from harness.wire.romcode import RomCode

_HANDS_TAKE_S = 10.0
"""Time that a simulated operator takes to put in or warm a device."""


def enrol(
    *,
    port: str,
    into: Path,
    how: str,
    pull_up_ohm: float,
    supply_v: float,
    replace: bool,
    recall: tuple[str, ...],
    style: OutputStyle,
) -> None:
    """Enumerate a bus, tie each device to its socket, write the fixture."""
    there = _text_of(into)
    _refuse_early(port, into, there, replace=replace)
    guesses = guesses_named(recall) or NO_GUESSES
    known = _known_sockets(load_fixture(into) if there else None)
    adapter = Adapter(port, kind=known.adapter_kind)
    say(f"enrolling the bus on {port}", err=True)
    with adapter.open():
        bus = Bus(adapter)
        bus.prove()
        sockets = _seated(bus, Way(how), known, guesses)
        if not sockets and not known.roms:
            raise NobodyAnswers("no device to enrol", where=port)
        text = (
            put_in(there, sockets, str(into))
            if there
            else _new_text(
                bus,
                sockets,
                title=into.stem.replace("_", " "),
                port=_name_of(port),
                pull_up_ohm=pull_up_ohm,
                supply_v=supply_v,
            )
        )
    is_written = text != there and (
        not there or replace or _asked_to_write(into, sockets)
    )
    if is_written:
        _write(into, text)
    _report(into, sockets, style, is_written=is_written, known=len(known.roms))


def _new_text(
    bus: Bus,
    sockets: tuple[EnrolledSocket, ...],
    *,
    title: str,
    port: str,
    pull_up_ohm: float,
    supply_v: float,
) -> str:
    """A fixture for this bench, with the cable as measured."""
    adapter = bus.adapter
    new = NewFixture(
        title=title,
        port=port,
        kind="auto" if adapter.is_unknown else adapter.grid.kind,
        pull_up_ohm=pull_up_ohm,
        supply_v=supply_v,
        cable=cable(
            bus,
            [socket.rom for socket in sockets],
            pull_up_ohm=pull_up_ohm,
            supply_v=supply_v,
        ),
    )
    return new_text(new, sockets)


@dataclass(frozen=True, slots=True, kw_only=True)
class _KnownSockets:
    """What the fixture file says already.

    Attributes:
        adapter_kind: kind of its adapter.
        roms: ROM codes that it expects.
        taken: sockets with a ROM code.
        empty: sockets without one, in the order of the file.
    """

    adapter_kind: str = "auto"
    roms: tuple[RomCode, ...] = ()
    taken: frozenset[str] = frozenset()
    empty: tuple[str, ...] = ()

    def names(self) -> Iterator[str]:
        """Names for devices that are found: those of the file, then new ones."""
        yield from self.empty
        yield from islice(free_names({*self.taken, *self.empty}), 2000)


def _known_sockets(fixture: Fixture | None) -> _KnownSockets:
    if fixture is None:
        return _KnownSockets()
    taken = frozenset(s.name for s in fixture.sockets if s.expect.rom_code)
    return _KnownSockets(
        adapter_kind=fixture.adapter.kind,
        roms=fixture.expected_roms,
        taken=taken,
        empty=tuple(s.name for s in fixture.sockets if s.name not in taken),
    )


def _seated(
    bus: Bus, how: Way, known: _KnownSockets, guesses: Guesses
) -> tuple[EnrolledSocket, ...]:
    """Devices that the file does not name yet, each with its socket."""
    ask = _operator_at(bus, known, how)
    if how is Way.PLUG:
        return plugged_in(bus, known.names(), ask, known.roms, guesses)
    new = [rom for rom in present(bus, known.roms, guesses) if rom not in known.roms]
    if how is Way.ORDER:
        return in_order(new, known.names())
    return warmed(thermometers(new), known.names(), ask, partial(temperatures, bus))


def _operator_at(bus: Bus, known: _KnownSockets, how: Way) -> Ask:
    """The person at the terminal; at a simulated bench, hands that do what is asked for."""
    port = bus.adapter.port
    if not isinstance(port, SimulatedPort):
        operator = ConsoleOperator(make_console(error=True))
        return lambda _socket, text: operator.ask(text, yes_no=True)
    stay = map(str, known.roms) if how is Way.PLUG else None
    hands = SocketHands(port.bench, stay if stay is None else frozenset(stay))
    act = hands.put_in if how is Way.PLUG else hands.warm
    tried: set[str] = set()

    def ask(socket: str, text: str) -> bool:
        done = socket not in tried and act(socket)
        tried.add(socket)
        say(f"SIMULATED: {text}: {'done' if done else 'no'}", err=True)
        bus.clock.sleep(_HANDS_TAKE_S)
        return done

    return ask


def _text_of(path: Path) -> str:
    """What stands in the file; empty if there is none.

    Raises:
        UsageError: it cannot be read.
    """
    if not path.exists():
        return ""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as cause:
        raise UsageError(
            f"the file cannot be read ({cause})", where=str(path)
        ) from cause


def _refuse_early(port: str, path: Path, there: str, *, replace: bool) -> None:
    """Refuse, before anything is sent, a file that could not be written in the end.

    Raises:
        UsageError: the file is there and nobody can be asked, or a simulated bench has
            no fixture there yet.
    """
    if there and not replace and not sys.stdin.isatty():
        raise UsageError(
            "the file is there already, and nobody is at the terminal to be asked",
            where=str(path),
            hint="say --replace to put the ROM codes into it, or name a new file",
        )
    if not there and port.startswith("sim://"):
        raise UsageError(
            "a fixture of a simulated bench needs its simulation section",
            where=str(path),
            hint="copy the bench's own fixture there first, or serve the bench by --tty",
        )


def _name_of(port: str) -> str:
    found = port_named(port)
    return stable_name(found, device_tree.here.ports()) if found else port


def _asked_to_write(path: Path, sockets: Sequence[EnrolledSocket]) -> bool:
    """True if the operator agrees that a file that is there is changed."""
    found = ", ".join(f"{socket.name} {socket.rom}" for socket in sockets)
    operator = ConsoleOperator(make_console(error=True))
    return operator.ask(f"write {found} into {path}?", yes_no=True)


def _write(path: Path, text: str) -> None:
    """Whole or not at all.

    Raises:
        UsageError: it cannot be written.
    """
    parse_fixture(text, str(path))
    try:
        with whole_file(path) as part:
            part.write_text(text, encoding="utf-8")
    except OSError as cause:
        raise UsageError(
            f"the file cannot be written ({cause.strerror})", where=str(path)
        ) from cause


def _report(
    path: Path,
    sockets: tuple[EnrolledSocket, ...],
    style: OutputStyle,
    *,
    is_written: bool,
    known: int,
) -> None:
    devices = tuple(
        EnrolledDevice(
            socket=socket.name,
            rom_code=str(socket.rom),
            family=f"{socket.rom.family:02X}",
            name=family_of(socket.rom.family).name,
        )
        for socket in sockets
    )
    if style.json:
        print_json(
            EnrolAnswer(
                command="enrol",
                exit_code=0,
                fixture=str(path),
                written=is_written,
                devices=devices,
                tied_before=known,
            )
        )
        return
    for device in devices:
        say(f"{device.socket}: {device.rom_code}  {device.family}h, {device.name}")
    end = "written" if is_written else "unchanged"
    say(f"{len(devices)} devices new, {known} known before; {path} is {end}")
