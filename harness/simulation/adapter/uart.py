"""The adapter's UART towards the line: what it sends, and how it hears.

Transmitter: start bit, eight data bits, least significant first, stop bits.
Receiver: a falling edge is found at the next tick of its oversampling grid, the
start bit is confirmed and every bit decided by two out of three ticks about its
middle; after the stop bit's vote it waits for the next falling edge. A line that
stays low therefore gives one 00h and then nothing.

Source of the receiver's habits: data sheet ATmega164A..1284P, 19.9 (positions 7, 8, 9 of 16
and 3, 4, 5 of 8 from AVR and other manuals; those of USB chips are unpublished).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import ceil, inf
from typing import NamedTuple


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """Rate and format.

    Attributes:
        bit_us: achieved length of a bit.
        stop_bits: 1 or 2.
    """

    bit_us: float
    stop_bits: int = 1

    @property
    def character_us(self) -> float:
        """Start edge to the earliest next start edge."""
        return (9 + self.stop_bits) * self.bit_us

    def transitions(self, byte: int) -> list[tuple[float, int]]:
        """When the transmitter changes its level, and to which; it starts from 1."""
        levels = [0, *(byte >> place & 1 for place in range(8)), 1]
        changes = []
        before = 1
        for place, level in enumerate(levels):
            if level != before:
                changes.append((place * self.bit_us, level))
                before = level
        return changes


class HeardCharacter(NamedTuple):
    """One received character."""

    byte: int
    done_us: float
    framing_error: bool


class Receiver:
    """Turns edges of the line into characters.

    Args:
        framing: as the transmitter's, whose clock it shares.
        oversampling: ticks in a bit.
        phase: where its grid lies against the transmitter's start edges, 0 to 1
            of a tick.
    """

    def __init__(self, *, framing: Framing, oversampling: int, phase: float) -> None:
        self._tick_us = framing.bit_us / oversampling
        self._oversampling = oversampling
        self._phase_us = phase * self._tick_us
        self._times_us: list[float] = []
        self._levels: list[int] = []
        self._level_before = 1
        self._hunt_from_us = -inf

    @property
    def is_idle(self) -> bool:
        """True if the line is high and no character is under way."""
        return not self._times_us and self._level_before == 1

    @property
    def is_waiting(self) -> bool:
        """True if edges are waiting to be understood."""
        return bool(self._times_us)

    def edge(self, at_us: float, is_high: bool) -> None:
        """The line crossed the receiver's threshold."""
        self._times_us.append(at_us)
        self._levels.append(1 if is_high else 0)

    def restart(self, level: int) -> None:
        """Forget everything; the line is at ``level``."""
        self._times_us.clear()
        self._levels.clear()
        self._level_before = level
        self._hunt_from_us = -inf

    def rebase(self, by_us: float) -> None:
        """Times now count from a point ``by_us`` later."""
        self._times_us = [at_us - by_us for at_us in self._times_us]
        self._hunt_from_us -= by_us

    def collect(self, until_us: float) -> list[HeardCharacter]:
        """All characters complete before ``until_us``."""
        heard: list[HeardCharacter] = []
        while True:
            start_us = self._next_start()
            if start_us is None:
                self._forget(until_us)
                return heard
            middle_us = start_us + (self._oversampling / 2 + 1) * self._tick_us
            done_us = start_us + self._place_us(9, +1)
            if middle_us > until_us:
                return heard
            if self._vote(start_us, 0) == 1:
                self._hunt_from_us = middle_us
                continue
            if done_us > until_us:
                return heard
            byte = sum(self._vote(start_us, bit + 1) << bit for bit in range(8))
            stop = self._vote(start_us, 9)
            heard.append(HeardCharacter(byte, done_us, framing_error=stop == 0))
            self._hunt_from_us = done_us

    def _place_us(self, bit: int, offset: int) -> float:
        """From the tick of the start edge to one of the three votes on a bit."""
        return ((bit + 0.5) * self._oversampling + offset) * self._tick_us

    def _vote(self, start_us: float, bit: int) -> int:
        ones = sum(
            self._level_at(start_us + self._place_us(bit, offset))
            for offset in (-1, 0, 1)
        )
        return 1 if ones >= 2 else 0

    def _level_at(self, at_us: float) -> int:
        place = bisect_right(self._times_us, at_us)
        return self._levels[place - 1] if place else self._level_before

    def _next_start(self) -> float | None:
        """Tick at which the next falling edge is found."""
        for place, (at_us, level) in enumerate(
            zip(self._times_us, self._levels, strict=True)
        ):
            if level == 1 or at_us <= self._hunt_from_us:
                continue
            ticks = ceil((at_us - self._phase_us) / self._tick_us)
            found_us = self._phase_us + ticks * self._tick_us
            later = place + 1
            gone = later < len(self._times_us) and self._times_us[later] <= found_us
            if not gone:
                return found_us
        return None

    def _forget(self, until_us: float) -> None:
        """Drop edges that no vote will look at any more."""
        kept = [at_us for at_us in self._times_us if at_us > until_us]
        dropped = len(self._times_us) - len(kept)
        if dropped:
            self._level_before = self._levels[dropped - 1]
            del self._times_us[:dropped]
            del self._levels[:dropped]
