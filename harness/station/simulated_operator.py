"""A rehearsed shift: an invented operator at a simulated position.

Plays the ``feed`` of a fixture in bench time, by what the position shows, as a person
would: puts a unit in when asked, has its number ready, takes it out after the
verdict.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.insertion import Handling
from harness.simulation.settings.feed import FeedEntry, Insertion
from harness.station.display_states import DisplayState

PUTS_IN_AFTER_S = 2.0
TAKES_OUT_AFTER_S = 1.5
SLOWLY_S = 30.0
SHORT_FOR_S = 3.0

_NOT_PASSED = frozenset({DisplayState.FAILED, DisplayState.ERROR})
_OVER = frozenset(
    {DisplayState.PASSED, DisplayState.FAILED, DisplayState.ERROR, DisplayState.REFUSED}
)


class Feeder:
    """Hands and scanner of one simulated position.

    Args:
        feed: the insertions, in order.
        references: ROM codes of the bench's own devices, which stay in.
    """

    def __init__(
        self, feed: Iterable[FeedEntry], references: Collection[str] = ()
    ) -> None:
        self._left = deque(feed)
        self._references = frozenset(references)
        self._entry: FeedEntry | None = None
        self._handling: Handling | None = None

    def stand_at(self, bench: Bench) -> Feeder:
        """Begin at a bench; every unit that is in is taken out."""
        self._handling = Handling(bench, self._references)
        return self

    # -- hands ---------------------------------------------------------------------

    @property
    def has_more(self) -> bool:
        """False once the last unit is out."""
        return bool(self._left) or self._entry is not None

    def see(self, sign: DisplayState) -> None:
        """Do what the position asks for."""
        if sign is DisplayState.PUT_IN and self._entry is None and self._left:
            self._entry = self._left.popleft()
            self._put_in(self._entry)
        elif sign is DisplayState.TESTING and self._entry is not None:
            if self._entry.how is Insertion.PULLED_EARLY:
                self._take_out(self._entry, after_s=self._entry.pulled_after_s)
        elif sign in _OVER and self._entry is not None:
            self._finish(self._entry, sign)

    def _finish(self, entry: FeedEntry, sign: DisplayState) -> None:
        """Take a tested unit out; one that shall pass comes in once more."""
        slowly = entry.how is Insertion.TOO_SLOWLY_OUT
        self._take_out(entry, after_s=SLOWLY_S if slowly else TAKES_OUT_AFTER_S)
        if entry.again_unless_passed and sign in _NOT_PASSED:
            self._left.appendleft(_once_more(entry))
        self._entry = None

    def _put_in(self, entry: FeedEntry) -> None:
        assert self._handling is not None
        after_s = PUTS_IN_AFTER_S
        if entry.how is Insertion.WRONG_WAY_ROUND:
            self._handling.short(after_s=after_s, for_s=SHORT_FOR_S)
            after_s += SHORT_FOR_S + PUTS_IN_AFTER_S
        bouncing = entry.how is Insertion.BOUNCING
        self._handling.put_in(entry.devices, after_s=after_s, bouncing=bouncing)

    def _take_out(self, entry: FeedEntry, *, after_s: float) -> None:
        assert self._handling is not None
        self._handling.take_out(entry.devices, after_s=after_s)

    # -- serial numbers --------------------------------------------------------------

    def wanted(self, position: str) -> str | None:
        """The number of the unit in hand, the same for whatever position asks."""
        del position
        return self._entry.serial if self._entry is not None else None

    def given_up(self, position: str) -> None:
        """The label stays on its unit."""

    def forced(self, position: str) -> str | None:
        """Never: every rehearsed unit answers."""
        del position
        return None


def _once_more(entry: FeedEntry) -> FeedEntry:
    return entry.model_copy(
        update={"how": Insertion.RIGHTLY, "again_unless_passed": False}
    )
