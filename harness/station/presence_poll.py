"""Is a unit in? Asked by one reset, twice a second; beside a reference by a search."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from harness.driver.bus import Bus
from harness.driver.search import enumerate_devices
from harness.errors import (
    EchoDoubtful,
    ExtraEcho,
    LineError,
    LineNotReady,
    LineShorted,
    NoEcho,
    SlotproofError,
)
from harness.plans.records.guesses import possible
from harness.wire.romcode import RomCode
from harness.wire.slots.frames import Presence

POLL_S = 0.5
"""Between two polls of an empty position."""

STEADY_S = 0.1
"""Between the polls that prove a contact steady once somebody answered."""


STEADY_POLLS = 2
"""Polls in a row that must find the unit before it counts as in, and as out."""

ODD_POLLS = 6
"""Odd answers in a row after which the plan may judge them."""


class PresencePoll(StrEnum):
    """What one poll found."""

    NOBODY = "nobody"
    UNIT = "unit"
    ODD = "odd"
    LOW = "low"


class SteadyContact:
    """Counts polls in a row, until they say that a unit is in."""

    def __init__(self) -> None:
        self._unit = 0
        self._odd = 0

    def take(self, contact: PresencePoll) -> bool:
        """One more poll; True once the contact is steady, or odd for long enough."""
        self._unit = self._unit + 1 if contact is PresencePoll.UNIT else 0
        self._odd = self._odd + 1 if contact is PresencePoll.ODD else 0
        return self._unit >= STEADY_POLLS or self._odd >= ODD_POLLS


def feel(bus: Bus, references: frozenset[str] = frozenset()) -> PresencePoll:
    """One reset, and what it says of the position; with a reference a search too.

    A reference of the bench answers every reset, so only a search shows a unit.

    A line that was held low before the poll gives no edge at all and hence no echo,
    so after a proved loop-back silence too means a low line.

    Raises:
        AdapterError: the adapter cannot tell.
    """
    bus.begin_check()  # hands at the position stir the line between two polls
    try:
        presence = bus.reset().presence
    except (LineShorted, LineNotReady, NoEcho):
        return PresencePoll.LOW
    except (LineError, ExtraEcho, EchoDoubtful):
        return PresencePoll.ODD
    if presence is Presence.ABSENT:
        return PresencePoll.NOBODY
    if references and presence is Presence.SEEN:
        return _beside(bus, references)
    return PresencePoll.UNIT if presence is Presence.SEEN else PresencePoll.ODD


def _beside(bus: Bus, references: frozenset[str]) -> PresencePoll:
    """What a search shows besides the references."""
    expected = [RomCode.parse(code) for code in sorted(references)]
    try:
        scan = enumerate_devices(bus, expected=expected)
    except (LineError, ExtraEcho, EchoDoubtful):
        return PresencePoll.ODD
    if set(map(str, scan.found)) - references:
        return PresencePoll.UNIT
    # a unit that spoils the search is in, and the plan may judge it after some polls
    unclear = scan.rejected or (scan.dead_ends and not scan.found)
    return PresencePoll.ODD if unclear else PresencePoll.NOBODY


def rom_codes_in(bus: Bus, known: Iterable[str]) -> set[str]:
    """Who is in now, most likely those known; nobody if it cannot be told."""
    recalled = possible(sorted(known))
    try:
        return {str(rom) for rom in enumerate_devices(bus, recalled=recalled).found}
    except SlotproofError:
        return set()
