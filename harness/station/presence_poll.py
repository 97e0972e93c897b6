"""Is a unit in? Asked gently: one reset, twice a second."""

from __future__ import annotations

from enum import StrEnum

from harness.driver.bus import Bus
from harness.errors import (
    EchoDoubtful,
    ExtraEcho,
    LineError,
    LineNotReady,
    LineShorted,
    NoEcho,
)
from harness.wire.slots.frames import Presence

POLL_S = 0.5
"""Between two polls of an empty place."""

STEADY_S = 0.1
"""Between the polls that prove a contact steady once somebody answered."""


class PresencePoll(StrEnum):
    """What one poll found."""

    NOBODY = "nobody"
    UNIT = "unit"
    ODD = "odd"
    LOW = "low"


def feel(bus: Bus) -> PresencePoll:
    """One reset, and what it says of the place.

    A line that was held low before the poll gives no edge at all and hence no echo,
    so after a proved loop-back silence too means a low line.

    Raises:
        AdapterError: the adapter cannot tell.
    """
    bus.begin_check()  # hands at the place stir the line between two polls
    try:
        presence = bus.reset().presence
    except (LineShorted, LineNotReady, NoEcho):
        return PresencePoll.LOW
    except (LineError, ExtraEcho, EchoDoubtful):
        return PresencePoll.ODD
    if presence is Presence.ABSENT:
        return PresencePoll.NOBODY
    return PresencePoll.UNIT if presence is Presence.SEEN else PresencePoll.ODD
