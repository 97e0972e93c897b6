"""Devices of earlier runs: guesses that save a search time, and constants of theirs.

A guess never decides anything. Constants do: bytes of a device's own block that never
changed, so that a block with others is none of its.

Two kinds: codes that may be on the bus still (``recalled``: of an earlier run of this
bench), and codes of devices like those on it (``seen``: of its lots, from the ledger).
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.plans.schema.fixture import Fixture
from harness.records import Outcome
from harness.results.journal.writer import FILE_NAME, read_events
from harness.results.record.constants import constants_in
from harness.wire.romcode import RomCode

MOST_CODES = 300
"""Devices elsewhere that are used: more tell no more of lots, and each costs computing."""

_MOST_RECALLED = 2000
"""Of one bus, for which a search at 1 ms takes over half a minute."""

_MOST_EVENTS = 5000
"""Of a journal: what a bench holds stands at its beginning, and a soak's may be huge."""

_MOST_FOLDERS = 20
"""Newest folders that are looked into for the last run of a fixture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guesses:
    """What may be on the bus.

    Attributes:
        recalled: devices that were on this bus and may be there still, the latest first.
        seen: devices like those on it, the latest first.
        origin: where they are from, for people; empty if nobody needs to be told.
        constants: own constants of devices by ROM code, from good readings; hex.
    """

    recalled: tuple[RomCode, ...] = ()
    seen: tuple[RomCode, ...] = ()
    origin: str = ""
    constants: Mapping[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """True if there is anything to guess from."""
        return bool(self.recalled or self.seen)

    def sentence(self, expected: Iterable[RomCode]) -> str:
        """What they are and what they do, for the journal.

        Args:
            expected: devices that a search expects anyway, as the fixture names them.

        Returns:
            A sentence; empty without an origin, or where they are no others than these.
        """
        count = len({*self.recalled, *self.seen} - set(expected))
        if not count or not self.origin:
            return ""
        devices = "1 device" if count == 1 else f"{count} devices"
        return (
            f"the search guesses from {devices} of {self.origin}: a right guess saves "
            "time, and none decides anything"
        )


NO_GUESSES = Guesses()


def made_of(
    recalled: Iterable[RomCode],
    seen: Iterable[RomCode] = (),
    *,
    origin: str = "",
    constants: Mapping[str, str] | None = None,
) -> Guesses:
    """Guesses of codes, the latest first; what was on this bus speaks for its lots too."""
    here = tuple(dict.fromkeys(recalled))[:_MOST_RECALLED]
    return Guesses(
        recalled=here,
        seen=tuple(dict.fromkeys([*here, *seen]))[:MOST_CODES],
        origin=origin,
        constants=constants or {},
    )


def of_journal(journal: Path, *, origin: str) -> Guesses:
    """What the run of a journal met.

    Raises:
        UsageError: it is no journal, or was edited.
    """
    return made_of(
        codes_in_journal(journal),
        origin=origin,
        constants=constants_in_journal(journal),
    )


def last_run_of(fixture: Fixture, folder: Path) -> Guesses:
    """What the last run of a fixture met, of all whose results lie in one folder.

    A fixture is known by its title. Whatever cannot be read is left out, since nothing
    depends on it.
    """
    for journal in _newest_journals(folder):
        with suppress(UsageError, OSError):
            if next(read_events(journal))["fixture"]["title"] != fixture.title:
                continue
            found = of_journal(journal, origin=f"its last run, {journal.parent}")
            if found:
                return found
    return Guesses()


def _newest_journals(folder: Path) -> Iterator[Path]:
    """Journals of the folders that were changed last, the newest first."""
    with suppress(OSError), os.scandir(folder) as entries:
        dated = [
            (entry.stat().st_mtime_ns, entry.path)
            for entry in entries
            if entry.is_dir()
        ]
        newest = [Path(path) / FILE_NAME for _, path in sorted(dated, reverse=True)]
        yield from islice(filter(Path.is_file, newest), _MOST_FOLDERS)


def codes_in_journal(journal: Path) -> list[RomCode]:
    """Devices that passed a check of a run, in the order in which they did.

    Raises:
        UsageError: it is no journal, or was edited.
    """
    events = islice(read_events(journal), _MOST_EVENTS)
    found = (_code_of(event) for event in events if event["event"] == "check_done")
    return [rom for rom in dict.fromkeys(found) if rom is not None]


def constants_in_journal(journal: Path) -> dict[str, str]:
    """Own constants that devices had in readings that passed, by ROM code; the last ones.

    Raises:
        UsageError: it is no journal, or was edited.
    """
    found = {}
    for event in islice(read_events(journal), _MOST_EVENTS):
        evidence = (event.get("result") or {}).get("evidence") or {}
        rom = _code_of(event) if event["event"] == "check_done" else None
        if rom is not None and (constants := constants_in(evidence)):
            found[str(rom)] = constants
    return found


def _code_of(event: dict[str, Any]) -> RomCode | None:
    result = event.get("result") or {}
    code = (result.get("device") or {}).get("rom_code", "")
    if not code or result.get("outcome") != Outcome.PASSED:
        return None
    try:
        rom = RomCode.parse(code)
    except ValueError:
        return None
    return rom if rom.is_possible else None


def possible(codes: Iterable[str]) -> list[RomCode]:
    """ROM codes as text, without those that cannot be a device."""
    return [rom for rom in map(RomCode.parse, codes) if rom.is_possible]
