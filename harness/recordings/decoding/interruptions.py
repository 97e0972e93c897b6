"""Transactions that a reset of another length ends within a byte: signs of a second host.

One host ends its transactions itself, at the end of a byte or after a single bit that it
polls, and all its resets come of one timer. A second one does not know of them.
"""

from __future__ import annotations

from harness.recordings.decoding.rules import NO_SLOT_FACTOR
from harness.recordings.decoding.transactions import BusTransaction, RomUse
from harness.recordings.record.shown import Interruption

MOST_KEPT = 1_000


class InterruptionWatch:
    """Takes transactions in order with the reset that begins each.

    Attributes:
        found: the first thousand.
    """

    def __init__(self) -> None:
        self.found: list[Interruption] = []
        self._before: tuple[BusTransaction, float] | None = None

    def feed(self, found: BusTransaction, reset_us: float, doubt_us: float) -> None:
        """The next transaction.

        Args:
            found: the transaction.
            reset_us: low of its reset, 0 without one.
            doubt_us: half width of what is known of that.
        """
        before, self._before = self._before, (found, reset_us)
        if before is None or not reset_us or found.overdrive_reset:
            return
        ended, own_us = before
        if not own_us or ended.overdrive_reset or not _is_cut(ended):
            return
        longer, shorter = max(reset_us, own_us), min(reset_us, own_us)
        # two lengths of one timer differ by less than its spread
        if longer - shorter <= 2 * doubt_us or longer <= _TIMER_SPREAD * shorter:
            return
        if len(self.found) < MOST_KEPT:
            self.found.append(
                Interruption(at_s=found.start_s, reset_us=reset_us, own_reset_us=own_us)
            )


_TIMER_SPREAD = 1 + (NO_SLOT_FACTOR - 1) / 5
"""A timer's resets of 480 us and more: an interrupt that makes a slot of 120 us a quarter
longer makes them 5 % longer at most."""


def _is_cut(found: BusTransaction) -> bool:
    """True if it ends where no byte of it, nor a step of a search, is over."""
    if found.use is RomUse.SEARCHED:
        return found.slots > 8 and (found.slots - 8) % 3 > 0 and found.slots < 200
    return found.slots % 8 > 0
