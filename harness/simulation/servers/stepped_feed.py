"""A feed that a person steps by key: the next unit in, the unit out, and so on.

For training operators at a served bench: the station shows what it wants, the trainee
puts the unit in by a key and scans, that is types, the number that is printed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.insertion import Handling
from harness.simulation.settings.feed import FeedEntry, Insertion

_SHORTED_FOR_S = 3.0


class SteppedFeed:
    """Units of a fixture's feed, in its order.

    Args:
        bench: the bench; everything that is in is taken out.
        feed: the insertions.
    """

    def __init__(self, bench: Bench, feed: Iterable[FeedEntry]) -> None:
        self._handling = Handling(bench)
        self._left = deque(feed)
        self._in: FeedEntry | None = None

    def next_key(self) -> str:
        """What the next key will do."""
        if self._in is not None:
            return "Enter takes the unit out"
        if not self._left:
            return "the feed is at its end; Ctrl-C ends the bench"
        return f"Enter puts the next unit in ({len(self._left)} left)"

    def step(self) -> str:
        """Do it; what was done, in a sentence."""
        if self._in is not None:
            self._handling.take_out(self._in.devices, after_s=0.0)
            self._in = None
            return "taken out"
        if not self._left:
            return "no unit is left"
        entry = self._in = self._left.popleft()
        wrong = entry.how is Insertion.WRONG_WAY_ROUND
        if wrong:
            self._handling.short(after_s=0.0, for_s=_SHORTED_FOR_S)
        self._handling.put_in(
            entry.devices,
            after_s=_SHORTED_FOR_S if wrong else 0.0,
            bouncing=entry.how is Insertion.BOUNCING,
        )
        how = ", the wrong way round at first" if wrong else ""
        return f"put in{how}; its label says {entry.serial or 'nothing'}"
