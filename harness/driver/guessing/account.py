"""What guesses of a search have saved, may cost and are worth, in round trips and seconds."""

from __future__ import annotations

ROM_BITS = 64
CRC_FROM = 56
"""Bits of a ROM code, and where the eight of its CRC begin."""

_OVERHEAD = 0.09
"""Largest share by which wrong guesses may lengthen a search: a tenth, less a hundredth for
what the times measured so far do not show."""


class Account:
    """What guesses have saved and may cost, against the search without them.

    Times are measured as the search goes on; ``trip_s`` is what is known of them before,
    and where that is nothing, nothing is worth a guess before the first.

    A reset has a rate of its own: one change goes before it, and one before the burst that
    follows. A wrong guess costs both, so the second is told apart from the round trip.

    Attributes:
        trip_s: what a burst takes beyond its slots.
        reset_s: what a reset takes, and the burst behind it more than others.
    """

    def __init__(self, slot_s: float, trip_s: float = 0.0) -> None:
        self.slot_s = slot_s
        self.trip_s = trip_s
        self._reset_s = self._first_s = 0.0
        self._resets = self._firsts = self._trips = 0
        self._plain_trips = self._devices = 0
        self._saved_trips = 0
        self._spent_trips = 0
        self._spent_s = 0.0

    @property
    def reset_s(self) -> float:
        """Both changes of the rate and the reset between them."""
        return self._reset_s + max(0.0, self._first_s - self.trip_s)

    def took_reset(self, took_s: float) -> None:
        """Take the time of a reset in."""
        self._resets += 1
        self._reset_s += (took_s - self._reset_s) / self._resets

    def took_burst(self, took_s: float, slots: int, *, after_reset: bool) -> None:
        """Take the time of a burst in."""
        besides_s = max(0.0, took_s - slots * self.slot_s)
        if after_reset:
            self._firsts += 1
            self._first_s += (besides_s - self._first_s) / self._firsts
            self.trip_s = self.trip_s or besides_s
        else:
            self._trips += 1
            self.trip_s += (besides_s - self.trip_s) / self._trips

    def expect(self, depth: int) -> None:
        """A device below ``depth`` is about to be searched: what that takes without guesses."""
        self._devices += 1
        self._plain_trips += max(2, 2 + CRC_FROM - depth)

    def save(self, trips: int) -> None:
        """Bits were heard that would have taken so many trips more."""
        self._saved_trips += trips

    def lose(self, slots: int) -> None:
        """A guess was wrong: a reset, and slots that are sent for nothing or again."""
        self.spend(self.reset_s + slots * self.slot_s, 1)

    def spend(self, took_s: float, trips: int) -> None:
        """Something was done that the search without guesses does not do."""
        self._spent_trips += trips
        self._spent_s += took_s

    def may_lose(self, slots: int) -> bool:
        """True if a wrong guess that costs so many slots stays within bounds."""
        plain_s = (
            self._devices * (self.reset_s + (8 + 3 * ROM_BITS) * self.slot_s)
            + (self._plain_trips - self._devices) * self.trip_s
        )
        room_trips = (
            _OVERHEAD * self._plain_trips + self._saved_trips - self._spent_trips
        )
        room_s = _OVERHEAD * plain_s + self._saved_trips * self.trip_s - self._spent_s
        return room_trips >= 1 and room_s >= self.reset_s + slots * self.slot_s

    def is_worth(self, likely: float, reached: float, depth: int) -> bool:
        """True if one more guess saves more than it may cost.

        Args:
            likely: probability that the guess is right.
            reached: probability that all guesses before it in the burst are.
            depth: bits that are written before it.
        """
        gain_s = reached * likely * self.trip_s
        again_s = self.reset_s + (8 + 3 * depth) * self.slot_s
        in_vain_s = 3 * self.slot_s
        return gain_s > reached * (1 - likely) * again_s + (1 - reached) * in_vain_s
