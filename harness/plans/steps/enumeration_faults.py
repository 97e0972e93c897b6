"""What is wrong with what an enumeration found, in words that fit what happened.

Too few, too many, another device than expected, scans that differ, and the wrong
devices in alarm each have their own message and their own advice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.plans.kinds.table import kinds_of
from harness.plans.schema.bodies import Enumerate
from harness.plans.schema.fixture import Fixture, Socket
from harness.records import PLAN_AND_FIXTURE
from harness.wire.romcode import RomCode

_MOST_NAMED = 8
"""ROM codes named in one message; the journal has them all."""

COMES_AND_GOES = (
    "it comes and goes: look for a loose contact, a marginal supply, or noise"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Kind, message and hint of a failed result."""

    kind: str
    message: str
    hint: str


def count_fault(
    fixture: Fixture, body: Enumerate, scans: Sequence[frozenset[str]]
) -> Fault | None:
    """What is wrong with the number of devices; None if nothing is.

    Args:
        fixture: what its sockets expect.
        body: the step, with the number that it wants.
        scans: ROM codes of each search, the last one counts.
    """
    if len(set(scans)) > 1:
        return _unsteady(fixture, scans)
    found = scans[-1]
    is_exact = body.count is not None
    wanted = body.count if is_exact else body.at_least
    if wanted is None:
        return None
    too_few, too_many = _FAULTS[body.alarm]
    state = " in alarm" if body.alarm else ""
    least = "" if is_exact else "at least "
    start = f"{devices(len(found))}{state} found, {least}{wanted} expected"
    if len(found) < wanted:
        return too_few(fixture, found, start)
    if is_exact and len(found) > wanted:
        return too_many(fixture, found, start)
    return None


def devices(count: int) -> str:
    """``1 device``, ``2 devices``."""
    return f"{count} device{'' if count == 1 else 's'}"


def missing_from(fixture: Fixture, found: Iterable[str]) -> list[Socket]:
    """Sockets whose own device was not found."""
    codes = set(found)
    return [
        socket
        for socket in fixture.unit_sockets
        if socket.expect.rom_code and socket.expect.rom_code not in codes
    ]


def codes_without_socket(
    fixture: Fixture, found: Iterable[str], family: int | None = None
) -> list[str]:
    """ROM codes found that no socket names; of one family if it is given."""
    named = {socket.expect.rom_code for socket in fixture.sockets}
    return [
        code
        for code in sorted(found)
        if code not in named and family in (None, RomCode.parse(code).family)
    ]


def listed(codes: Sequence[str], fixture: Fixture) -> str:
    """ROM codes with their kind, the first few by name."""
    named = [f"{code} ({_kind_of(fixture, code)})" for code in codes[:_MOST_NAMED]]
    if len(codes) > _MOST_NAMED:
        named.append(f"and {len(codes) - _MOST_NAMED} more")
    return ", ".join(named)


def _kind_of(fixture: Fixture, code: str) -> str:
    family = RomCode.parse(code).family
    return f"family {family:02X}h, {kinds_of(fixture=fixture).family_of(family).name}"


def _named(fixture: Fixture, code: str) -> str:
    socket = fixture.socket_of(code)
    return f"{socket} ({code})" if socket else code


def _unsteady(fixture: Fixture, scans: Sequence[frozenset[str]]) -> Fault:
    seen = Counter(code for scan in scans for code in scan)
    named = [
        f"{_named(fixture, code)} in {times}"
        for code, times in sorted(seen.items())
        if times < len(scans)
    ]
    steady = len(seen) - len(named)
    return Fault(
        kind="unsteady",
        message=f"{len(scans)} scans of one bus differ: {', '.join(named[:_MOST_NAMED])}"
        f" of them; {devices(steady)} in all",
        hint=COMES_AND_GOES,
    )


def _too_few(fixture: Fixture, found: frozenset[str], start: str) -> Fault:
    missing = missing_from(fixture, found)
    named, replaced = [], []
    for socket in missing:
        code = socket.expect.rom_code or ""
        named.append(_named(fixture, code))
        replaced += codes_without_socket(fixture, found, RomCode.parse(code).family)
    if not named:
        return _fewer_than_named(fixture, found, start)
    message = f"{start}; not found: {', '.join(named)}"
    if replaced:
        unnamed = sorted(set(replaced))
        return Fault(
            kind="count",
            message=f"{message}; found and named by no socket: {listed(unnamed, fixture)}",
            hint="another device of the same family may sit there: put the right one "
            "in, or correct rom_code in the fixture; reseat what is missing",
        )
    return Fault(
        kind="count",
        message=message,
        hint="reseat what is missing, or try it alone on the bus: two devices with one "
        "ROM code count once",
    )


def _fewer_than_named(fixture: Fixture, found: frozenset[str], start: str) -> Fault:
    if any(socket.expect.rom_code for socket in fixture.unit_sockets):
        start += "; every device that the fixture names was found"
        if len(found) >= len(fixture.unit_sockets):
            return Fault(
                kind="count",
                message=f"{start}, and it has no other position",
                hint=f"{PLAN_AND_FIXTURE}: correct count in the plan, or add the missing "
                "positions to the fixture",
            )
    return Fault(
        kind="count",
        message=start,
        hint="look for an empty socket or an open contact; two devices with one ROM "
        "code count once: read them one at a time",
    )


def _too_many(fixture: Fixture, found: frozenset[str], start: str) -> Fault:
    missing = missing_from(fixture, found)
    if missing:
        named = ", ".join(_named(fixture, s.expect.rom_code or "") for s in missing)
        start += f"; not found, though: {named}"
    if not any(socket.expect.family_code for socket in fixture.unit_sockets):
        kinds = Counter(_kind_of(fixture, code) for code in found)
        named = ", ".join(f"{count} x {kind}" for kind, count in sorted(kinds.items()))
        return Fault(
            kind="count",
            message=f"{start}: {named}",
            hint="take out what does not belong on this bus, or correct count in the "
            "plan; rom_code in the fixture would show which device is the extra one",
        )
    extra = _surplus(fixture, found)
    if not extra:
        return Fault(
            kind="count",
            message=f"{start}; each has its socket in the fixture",
            hint=f"{PLAN_AND_FIXTURE}: correct count in the plan",
        )
    return Fault(
        kind="count",
        message=f"{start}; expected by no socket: {', '.join(extra)}",
        hint="take out what does not belong on this bus; if it does, add it to the "
        "fixture and correct count in the plan",
    )


def _surplus(fixture: Fixture, found: frozenset[str]) -> list[str]:
    """Devices beyond those that the sockets expect, kind by kind."""
    without = [s.expect.family for s in fixture.unit_sockets if not s.expect.rom_code]
    named, over = [], 0
    for family in sorted({RomCode.parse(code).family for code in found}):
        rivals = codes_without_socket(fixture, found, family)
        places = without.count(family)
        if len(rivals) > places:
            over += len(rivals) - places
            some = f"{len(rivals) - places} of " if places else ""
            named.append(some + listed(rivals, fixture))
    return named if over > without.count(None) else []


def _too_few_in_alarm(fixture: Fixture, found: frozenset[str], start: str) -> Fault:
    named = f": {', '.join(_named(fixture, c) for c in sorted(found))}" if found else ""
    return Fault(
        kind="count",
        message=start + named,
        hint="a device joins this search only while its condition holds: convert "
        "before it, and read value and alarm limits of the devices that should be in",
    )


def _too_many_in_alarm(fixture: Fixture, found: frozenset[str], start: str) -> Fault:
    named = ", ".join(_named(fixture, code) for code in sorted(found)[:_MOST_NAMED])
    return Fault(
        kind="count",
        message=f"{start}: {named}",
        hint="the condition of these devices holds: read their value and alarm limits",
    )


_FAULTS = {
    False: (_too_few, _too_many),
    True: (_too_few_in_alarm, _too_many_in_alarm),
}
"""Whether the search was for devices in alarm -> what too few and too many mean."""
