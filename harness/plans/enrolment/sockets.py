"""Which device sits in which socket: all at once in order, or found out one by one.

Nothing is guessed: a device that cannot be identified is asked for again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import count

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.errors import (
    DeviceError,
    EchoDoubtful,
    ExtraEcho,
    LineError,
    NobodyAnswers,
    RomCodeInvalid,
    UsageError,
)
from harness.plans.records.guesses import NO_GUESSES, Guesses
from harness.wire.romcode import RomCode

Ask = Callable[[str, str], bool]
"""Shows a text about a socket, whose name comes first, and waits for yes or no."""

Temperatures = Callable[[Iterable[RomCode]], dict[RomCode, float]]
"""Reads thermometers, in degC."""

_RISE_DEGC = 1.0
"""A hand warms a probe by several degrees in ten seconds (from memory); a reading wanders
by a tenth."""

_CLEARLY = 2.0
"""The warmed one must have risen by so many times as much as any other."""


class Way(StrEnum):
    """How a device is tied to its socket."""

    ORDER = "order"
    PLUG = "plug"
    WARM = "warm"


@dataclass(frozen=True, slots=True, kw_only=True)
class EnrolledSocket:
    """A socket and the device in it."""

    name: str
    rom: RomCode


def present(
    bus: Bus, expected: Iterable[RomCode] = (), guesses: Guesses = NO_GUESSES
) -> list[RomCode]:
    """Every device on the bus now; an empty bus is an answer too.

    Args:
        bus: the bus.
        expected: who is likely there.
        guesses: what other buses say, which saves time only.

    Raises:
        RomCodeInvalid: the search also ended on a code that cannot be.
        LineError, AdapterError: the bus does not work.
    """
    bus.begin_check()  # a device that was put in announces itself, and is heard now
    try:
        found = enumerate_devices(
            bus, expected=expected, recalled=guesses.recalled, seen=guesses.seen
        )
    except NobodyAnswers:
        return []
    if found.rejected:
        raise RomCodeInvalid(
            f"the search ended on {len(found.rejected)} codes that cannot be a device",
            where=", ".join(map(str, found.rejected)),
        )
    return found.found


def free_names(taken: Iterable[str]) -> Iterator[str]:
    """A1, A2 and so on, but for those taken."""
    known = set(taken)
    return (name for n in count(1) if (name := f"A{n}") not in known)


def in_order(
    roms: Iterable[RomCode], names: Iterator[str]
) -> tuple[EnrolledSocket, ...]:
    """Each device into the next socket, in the order of the search."""
    return tuple(EnrolledSocket(name=next(names), rom=rom) for rom in roms)


def plugged_in(
    bus: Bus,
    names: Iterator[str],
    ask: Ask,
    known: Iterable[RomCode] = (),
    guesses: Guesses = NO_GUESSES,
) -> tuple[EnrolledSocket, ...]:
    """Sockets filled one by one; the device that is new is the socket's.

    Args:
        bus: the bus.
        names: names of the sockets, in the order in which they are filled.
        ask: asks the operator; no ends.
        known: devices that have their socket already.
        guesses: see ``present``.
    """
    here = [*known, *present(bus, known, guesses)]
    found: list[EnrolledSocket] = []
    for name in names:
        hint = ""
        while True:
            if not ask(name, f"{hint}put the device of socket {name} in; no ends"):
                return tuple(found)
            try:
                new = [rom for rom in present(bus, here, guesses) if rom not in here]
            except (LineError, DeviceError, ExtraEcho, EchoDoubtful) as fault:
                hint = f"not clear ({fault.what}), see that it is in firmly: "
                continue
            if len(new) == 1:
                break
            hint = "no new device answers: "
            if new:
                hint = f"{len(new)} devices are new, take all but one out: "
        here += new
        found.append(EnrolledSocket(name=name, rom=new[0]))
    return tuple(found)


def warmed(
    roms: Iterable[RomCode], names: Iterator[str], ask: Ask, read: Temperatures
) -> tuple[EnrolledSocket, ...]:
    """Thermometers identified by warming one after the other; the last one is left over.

    Raises:
        UsageError: there is no thermometer.
    """
    left = list(roms)
    if not left:
        raise UsageError(
            "no thermometer answers, so none can be identified by warming it",
            hint="take --how plug or --how order",
        )
    before = read(left)
    found: list[EnrolledSocket] = []
    while len(left) > 1:
        name, hint = next(names), ""
        while True:
            if not ask(
                name, f"{hint}warm the device in socket {name} for ten seconds; no ends"
            ):
                return tuple(found)
            now = read(left)
            risen = sorted(left, key=lambda rom: now[rom] - before[rom])
            most, next_most = (now[rom] - before[rom] for rom in risen[:-3:-1])
            before = now
            if most >= _RISE_DEGC and most >= _CLEARLY * next_most:
                break
            hint = f"not clear (it rose {most:.1f} degC, another {next_most:.1f}): "
        found.append(EnrolledSocket(name=name, rom=risen[-1]))
        left.remove(risen[-1])
    found.append(EnrolledSocket(name=next(names), rom=left[0]))
    return tuple(found)
