"""`slotproof enrol`: from a live bus to a fixture file."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

from harness.commands.base import make_console, print_json
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
    EnrolledSocket,
    Way,
    free_names,
    in_order,
    plugged_in,
    present,
    warmed,
)
from harness.plans.loading.files import load_fixture, parse_fixture
from harness.terminal import ConsoleOperator
from harness.wire.romcode import RomCode


def enrol(
    *,
    port: str,
    into: Path,
    how: str,
    pull_up_ohm: float,
    supply_v: float,
    replace: bool,
    style: OutputStyle,
) -> None:
    """Enumerate a bus, tie each device to its socket, write the fixture."""
    there = _text_of(into)
    _refuse_early(port, into, there, replace=replace)
    known = load_fixture(into) if there else None
    if known is not None:
        pull_up_ohm, supply_v = known.line.pull_up_ohm, known.line.supply_v
    adapter = Adapter(port, kind=known.adapter.kind if known else "auto")
    say(f"enrolling the bus on {port}", err=True)
    with adapter.open():
        bus = Bus(adapter)
        bus.prove()
        settled = known.expected_roms if known else ()
        taken = {s.name for s in known.sockets if s.expect.rom_code} if known else set()
        empty = [s.name for s in known.sockets if s.name not in taken] if known else []
        sockets = _seated(bus, Way(how), taken, empty, settled)
        if not sockets and not settled:
            raise NobodyAnswers("no device to enrol", where=port)
        roms = [socket.rom for socket in sockets]
        measured = None
        if known is None:
            measured = cable(bus, roms, pull_up_ohm=pull_up_ohm, supply_v=supply_v)
        kind = "auto" if adapter.is_unknown else adapter.grid.kind
    if there:
        text = put_in(there, sockets, str(into))
    else:
        text = new_text(
            NewFixture(
                title=into.stem.replace("_", " "),
                port=_name_of(port),
                kind=kind,
                pull_up_ohm=pull_up_ohm,
                supply_v=supply_v,
                cable=measured,
            ),
            sockets,
        )
    is_written = text != there and _may_write(into, there, replace=replace)
    if is_written:
        _write(into, text)
    _report(into, sockets, style, is_written=is_written, known=len(settled))


def _seated(
    bus: Bus,
    how: Way,
    taken: set[str],
    empty: list[str],
    settled: tuple[RomCode, ...],
) -> tuple[EnrolledSocket, ...]:
    """Who sits in the sockets that have nobody yet: those of the file, then new ones."""

    def names() -> list[str]:
        more = free_names({*taken, *empty})
        return [*empty, *(next(more) for _ in range(2000))]

    operator = ConsoleOperator(make_console(error=True))
    ask = partial(operator.ask, yes_no=True)
    if how is Way.PLUG:
        return plugged_in(bus, iter(names()), ask, settled)
    new = [rom for rom in present(bus, settled) if rom not in settled]
    if how is Way.ORDER:
        return in_order(new, iter(names()))
    return warmed(thermometers(new), iter(names()), ask, partial(temperatures, bus))


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
    """Refuse before anything is sent what could not be written in the end.

    Raises:
        UsageError: as said.
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


def _may_write(path: Path, there: str, *, replace: bool) -> bool:
    """A new file, or leave to change the one that is there."""
    if not there or replace:
        return True
    operator = ConsoleOperator(make_console(error=True))
    return operator.ask(f"change {path}?", yes_no=True)


def _write(path: Path, text: str) -> None:
    """Whole or not at all.

    Raises:
        UsageError: it cannot be written.
    """
    parse_fixture(text, str(path))
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
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
                settled_before=known,
            )
        )
        return
    for device in devices:
        say(f"{device.socket}: {device.rom_code}  {device.family}h, {device.name}")
    end = "written" if is_written else "unchanged"
    say(f"{len(devices)} devices new, {known} known before; {path} is {end}")
