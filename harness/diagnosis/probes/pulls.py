"""Lone long pulls of the line, heard through all of an examination.

A part that signals holds the line low for 0.96 to 4.8 ms whenever its condition comes
true (data sheet, parts DS1992/DS1993, p. 13-18), and a device that gets power or contact
pulls it for its presence pulse: neither waits for the time in which we listen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from harness.diagnosis.probes.late_echoes import LateEchoes
from harness.driver.adapter import Adapter

_LEAST_US = 480.0
"""Half of the shortest interrupt pulse: characters that merge on a line so long low. No
slot, presence pulse or spike is so long."""

_MOST_CHARACTERS = 4
"""Of one pull between bursts: one of zeros, and presence pulses behind it."""


@dataclass
class PullWatch:
    """What pulled the line at a time when nobody was asked to.

    Attributes:
        at_s: when each pull was heard.
        late: bursts that came back short for a time only, which is no pull.
        since_s: when the watch began.
    """

    adapter: Adapter
    since_s: float = 0.0
    at_s: list[float] = field(default_factory=list)
    late: LateEchoes = field(default_factory=LateEchoes)
    _pending_s: float | None = None

    @contextmanager
    def on(self) -> Iterator[PullWatch]:
        """Watch until the block ends; who listened before hears as ever."""
        adapter, told = self.adapter, self.adapter.on_traffic
        mind, came = adapter.on_stray, adapter.on_late
        self.since_s = adapter.clock.now_s()

        def heard(sent: bytes, echoes: bytes, baud: int, stop_bits: int) -> None:
            self.note(sent, echoes, baud, adapter.clock.now_s())
            told(sent, echoes, baud, stop_bits)

        adapter.on_traffic, adapter.on_stray = heard, self.note_stray
        adapter.on_late = self.note_late
        try:
            yield self
        finally:
            adapter.on_traffic, adapter.on_stray = told, mind
            adapter.on_late = came

    def note(self, sent: bytes, echoes: bytes, baud: int, now_s: float) -> None:
        """One burst: a pull in it merges characters into one of zeros, then ends.

        It counts once the next burst is whole, so that a line which stays low is none.
        """
        self.late.note(sent, echoes)
        if len(echoes) == len(sent) and self._pending_s is not None:
            self.at_s.append(round(self._pending_s - self.since_s, 3))
        self._pending_s = None
        missing_us = (len(sent) - len(echoes)) * 1e7 / baud
        zeros = Counter(echoes)[0] - Counter(sent)[0]
        if echoes and missing_us >= _LEAST_US and zeros > 0:
            self._pending_s = now_s

    def note_late(self, characters: bytes) -> None:
        """What came of a burst after it was given up: then nothing merged in it."""
        if self.late.came(characters):
            self._pending_s = None

    def note_stray(self, characters: bytes) -> None:
        """Characters that no echo is due for."""
        long = [c for c in characters if c in {0x00, 0x80}]
        if long and len(characters) <= _MOST_CHARACTERS:
            now_s = self.adapter.clock.now_s()
            self.at_s.append(round(now_s - self.since_s, 3))
