"""Sending characters by known outcomes: one by one, or several at once.

While all devices that take part are in slots that are fixed beforehand (``SlotBlock``),
no device is asked anything, so that what several characters do is looked up as a whole. It
is made of the outcomes of the single characters, and is used only where nothing can come
between them.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from itertools import accumulate, repeat
from math import inf
from operator import add
from typing import Any

from harness.simulation.devices.base import Device
from harness.simulation.devices.mounted_device import Station
from harness.simulation.line.agenda import Agenda
from harness.simulation.line.engine import Engine
from harness.simulation.line.outcome_cache import (
    Known,
    KnownOutcome,
    KnownStretch,
    situation,
)

LONGEST = 64
"""Most characters that are looked up at once; a ROM code has so many."""

Member = tuple[int, Device[Any]]
"""A device and its bit in the masks."""

Drive = tuple[tuple[int, int], ...]
"""The devices that pull somewhere in a stretch: bit in the masks, and levels."""


class CachedLine:
    """Sends characters by known outcomes while nothing unusual happens.

    Attributes:
        heard: bytes received and not yet fetched.
        heard_us: bench time at which each was complete.
    """

    def __init__(self, engine: Engine, agenda: Agenda, stations: list[Station]) -> None:
        self.heard = bytearray()
        self.heard_us: list[float] = []
        self._engine = engine
        self._agenda = agenda
        self._stations = stations
        self._outcome: KnownOutcome | None = None
        self._stopped = False

    def stop(self) -> None:
        """A device changed its speed: other outcomes count after this character."""
        self._stopped = True

    def pulling(self) -> int:
        """Mask of the devices that would pull in a slot that began now."""
        return _Crowd(self._stations).pulling()

    def taken_us(self, index: int) -> float | None:
        """When a device took its bit in the character at hand; None outside ``run``."""
        outcome = self._outcome
        return None if outcome is None else outcome.taken_us[index]

    def run(
        self,
        data: bytes | bytearray,
        place: int,
        *,
        known: Known,
        until_us: float,
        character_us: float,
        start_cv: int,
    ) -> tuple[int, int]:
        """Send from ``data[place]`` on; stop before the first unknown outcome.

        Returns:
            The next place, and the line's voltage there in hundredths.
        """
        engine, lumped = self._engine, known.lumped
        begun_us = engine.origin_us
        passage = _Passage(
            data=data,
            place=place,
            known=known,
            start_us=begun_us,
            character_us=character_us,
            until_us=until_us,
            start_cv=start_cv,
            crowd=_Crowd(self._stations),
        )
        end = len(data)
        self._stopped = False
        try:
            while (
                not self._stopped
                and passage.place < end
                and passage.start_us < until_us
                and (self._send_stretch(passage) or self._send_one(passage))
            ):
                pass
        finally:
            self._outcome = None
            engine.origin_us = passage.start_us
        if lumped and passage.start_us > begun_us:
            lumped.assume(passage.volts)
        return passage.place, passage.start_cv

    def _send_one(self, passage: _Passage) -> bool:
        """One character; False if it has to be worked out."""
        crowd, start_us = passage.crowd, passage.start_us
        byte = passage.data[passage.place]
        key = situation(byte, crowd.pulling(), passage.start_cv)
        outcome = passage.known.outcomes.get(key)
        next_us = start_us + passage.character_us
        if outcome is None or next_us > self._agenda.next_us:
            return False
        volts = passage.afforded_v((outcome,))
        if volts is None:
            return False
        self._engine.origin_us = start_us
        self.heard.append(outcome.echo)
        self.heard_us.append(start_us + outcome.heard_us)
        watch = self._engine.line.watch
        if watch is not None and outcome.course is not None:
            watch.take(start_us, outcome.course)
        if crowd.active or outcome.resets:
            self._outcome = outcome
            crowd.take(outcome)
            # who dozed is awake now, and other outcomes count
            self._stopped |= bool(outcome.resets)
        passage.go_on(1, next_us, outcome.end_cv, volts)
        return True

    def _send_stretch(self, passage: _Passage) -> bool:
        """Several characters at once; False if that cannot be."""
        most = min(LONGEST, len(passage.data) - passage.place)
        length = passage.crowd.fixed_slots(most)
        if length < 2:
            return False
        times_us = list(
            accumulate(repeat(passage.character_us, length), initial=passage.start_us)
        )
        until_us, next_us = passage.until_us, self._agenda.next_us
        if times_us[-2] >= until_us or times_us[-1] > next_us:
            begun = bisect_left(times_us, until_us, hi=length)
            length = min(begun, bisect_right(times_us, next_us) - 1)
        stretch = passage.stretch(length) if length > 1 else None
        if stretch is None:
            return False
        volts = passage.afforded_v(stretch.outcomes)
        if volts is None:
            return False
        length = len(stretch.outcomes)
        self.heard += stretch.echoes
        self.heard_us += map(add, times_us, stretch.heard_us)
        watch = self._engine.line.watch
        if watch is not None:
            for start_us, outcome in zip(times_us, stretch.outcomes, strict=False):
                if outcome.course is not None:
                    watch.take(start_us, outcome.course)
        if passage.crowd.active:
            self._engine.origin_us = times_us[length - 1]
            self._outcome = stretch.outcomes[-1]
            passage.crowd.take_stretch(stretch)
        passage.go_on(length, times_us[length], stretch.end_cv, volts)
        return True


class _Passage:
    """How far a run of known characters has come.

    Attributes:
        data: all characters.
        place: the next one, and
        start_us: when it begins, at
        start_cv: that voltage in hundredths.
        volts: the emptiest parasite capacitor.
        known: what is known under the circumstance.
        crowd: the devices that take part.
    """

    __slots__ = (
        "character_us", "crowd", "data", "known", "place", "start_cv", "start_us",
        "until_us", "volts",
    )  # fmt: skip

    def __init__(
        self,
        *,
        data: bytes | bytearray,
        place: int,
        known: Known,
        start_us: float,
        character_us: float,
        until_us: float,
        start_cv: int,
        crowd: _Crowd,
    ) -> None:
        self.data = data
        self.place = place
        self.known = known
        self.start_us = start_us
        self.character_us = character_us
        self.until_us = until_us
        self.start_cv = start_cv
        self.crowd = crowd
        self.volts = known.lumped.start_v() if known.lumped else inf

    def go_on(self, count: int, start_us: float, start_cv: int, volts: float) -> None:
        """``count`` characters are over."""
        self.place += count
        self.start_us, self.start_cv, self.volts = start_us, start_cv, volts

    def afforded_v(self, outcomes: tuple[KnownOutcome, ...]) -> float | None:
        """The emptiest parasite capacitor after them; None if one may run dry."""
        volts, lumped = self.volts, self.known.lumped
        if lumped is None:
            return volts
        for outcome in outcomes:
            lowest_v = volts - outcome.spent_v
            if lowest_v < lumped.floor_v:
                return None
            volts = lowest_v * outcome.keep + outcome.gain_v
        return volts

    def stretch(self, length: int) -> KnownStretch | None:
        """What the next characters do, as far as it is known; ``length`` at most."""
        frames = bytes(self.data[self.place : self.place + length])
        drive = self.crowd.drive(length)
        stretches = self.known.stretches
        key = (frames, self.start_cv, drive)
        stretch = stretches.get(key)
        if stretch is None:
            stretch = self._put_together(frames, drive)
            if stretch is None:
                return None
            if len(stretch.outcomes) == length:
                stretches[key] = stretch
        mask = self.crowd.mask
        return stretch if stretch.slots & mask == mask else None

    def _put_together(self, frames: bytes, drive: Drive) -> KnownStretch | None:
        """From the outcomes of the single characters, up to the first unknown."""
        found: list[KnownOutcome] = []
        start_cv = self.start_cv
        for place, byte in enumerate(frames):
            pulling = sum(bit for bit, levels in drive if not levels >> place & 1)
            key = situation(byte, pulling, start_cv)
            outcome = self.known.outcomes.get(key)
            if outcome is None or outcome.resets:
                break
            found.append(outcome)
            start_cv = outcome.end_cv
        return KnownStretch(tuple(found)) if len(found) > 1 else None


class _Crowd:
    """The devices that take part, and what they want with the next slots.

    Attributes:
        active: those with a session.
        mask: of those.
    """

    __slots__ = ("_stations", "active", "mask")

    def __init__(self, stations: list[Station]) -> None:
        self._stations = stations
        self.active: list[Member]
        self.mask: int
        self._recount()

    def pulling(self) -> int:
        """Mask of those that will pull in the slot that begins now."""
        mask = 0
        for bit, device in self.active:
            if device.level() == 0:
                mask |= bit
        return mask

    def fixed_slots(self, most: int) -> int:
        """For how many slots, ``most`` at most, the levels of all devices are fixed."""
        for _, device in self.active:
            block = device.block
            if block is None:
                return 0
            left = block.length - device.done
            most = min(most, left)
        return most

    def drive(self, length: int) -> Drive:
        """The levels of those that pull somewhere in the next slots, which are fixed."""
        all_ones = (1 << length) - 1
        drive = []
        for bit, device in self.active:
            block = device.block
            assert block is not None
            levels = block.levels >> device.done & all_ones
            if levels != all_ones:
                drive.append((bit, levels))
        return tuple(drive)

    def take(self, outcome: KnownOutcome) -> None:
        """Give everybody its bit, or its reset."""
        ones, slots = outcome.ones, outcome.slots
        for bit, device in self.active:
            if slots & bit:
                device.take(1 if ones & bit else 0)
        for station, leaves_overdrive in outcome.resets:
            station.device.restart(leave_overdrive=leaves_overdrive)
        if outcome.resets:
            self._recount()
        else:
            self._see_off()

    def take_stretch(self, stretch: KnownStretch) -> None:
        """Give every device its bits."""
        length = len(stretch.outcomes)
        for bit, device in self.active:
            if device.want is not None:
                device.take_block(stretch.bits(bit), length)
        self._see_off()

    def _see_off(self) -> None:
        """Some may have left the session."""
        for bit, device in self.active:
            if device.want is None:
                self.active = [m for m in self.active if m[0] != bit]
                self.mask &= ~bit

    def _recount(self) -> None:
        self.active, self.mask = [], 0
        for station in self._stations:
            if station.device.want is not None and station.is_listening:
                self.active.append((station.bit, station.device))
                self.mask |= station.bit
