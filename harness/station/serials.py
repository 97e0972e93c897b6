"""Where a unit's serial number comes from: scanner, file, or nowhere.

A scanner is a keyboard: a number and enter. With several places, a number goes to the
place whose unit waits for one the longest; a number for which no unit waits is refused,
since it would end on the next unit, whichever that is. ``PLACE=NUMBER`` names the place
and makes it test even if no unit answers there: so a dead unit comes to its verdict.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from pathlib import Path
from threading import Lock
from typing import Protocol

from harness.errors import UsageError

END_WORD = "end"
"""Typed instead of a serial number: the shift is over."""


class Serials(Protocol):
    """A source of serial numbers; safe to call from several places."""

    def wanted(self, place: str) -> str | None:
        """The number for the unit in a place; None if it is not there yet."""
        ...

    def given_up(self, place: str) -> None:
        """The place does not wait for a number any more."""
        ...

    def forced(self, place: str) -> str | None:
        """A number that was given to an empty place by name; None if none was."""
        ...


class NoSerials:
    """Units without serial numbers: their ROM codes tell them apart."""

    def wanted(self, place: str) -> str | None:
        """Always the empty number."""
        return ""

    def given_up(self, place: str) -> None:
        """Nothing was promised."""

    def forced(self, place: str) -> str | None:
        """Never."""
        return None


class SerialsFromFile:
    """Serial numbers in order, one a line; a number given up is given out again.

    Args:
        numbers: the numbers.
    """

    def __init__(self, numbers: Iterable[str]) -> None:
        self._left = deque(numbers)
        self._given: dict[str, str] = {}
        self._lock = Lock()

    @classmethod
    def read(cls, path: Path) -> SerialsFromFile:
        """The lines of a file that are not empty.

        Raises:
            UsageError: it cannot be read.
        """
        try:
            lines = path.read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as cause:
            raise UsageError(
                f"the serial numbers cannot be read: {cause}", where=str(path)
            ) from cause
        return cls([line.strip() for line in lines if line.strip()])

    def wanted(self, place: str) -> str | None:
        """The next number; None once all are used."""
        with self._lock:
            if not self._left:
                return None
            self._given[place] = self._left.popleft()
            return self._given[place]

    def given_up(self, place: str) -> None:
        """The number was not used: it comes next."""
        with self._lock:
            number = self._given.pop(place, None)
            if number is not None:
                self._left.appendleft(number)

    def forced(self, place: str) -> str | None:
        """Never."""
        return None


class Scanner:
    """Numbers as they are scanned or typed.

    Args:
        places: names of the station's places.
    """

    def __init__(self, places: Iterable[str]) -> None:
        self._places = tuple(places)
        self._queue: deque[str] = deque()
        self._by_place: dict[str, str] = {}
        self._lock = Lock()

    def take(self, line: str) -> str:
        """Take one line in; the answer to the operator, one sentence or empty."""
        number = line.strip()
        if not number or not number.isprintable():
            return ""  # a stray key, such as an arrow, is no scan
        name, sign, rest = number.partition("=")
        with self._lock:
            if sign and name in self._places:
                place, number = name, rest.strip()
            elif self._queue:
                place = self._queue.popleft()
            else:
                return f"no unit waits for {number}: put it in first, then scan it"
            self._by_place[place] = number
        return f"{place}: {number}"

    def wanted(self, place: str) -> str | None:
        """The number for a place; asking puts the place into the queue."""
        with self._lock:
            if place in self._by_place:
                return self._by_place.pop(place)
            if place not in self._queue:
                self._queue.append(place)
        return None

    def given_up(self, place: str) -> None:
        """Leave the queue; a number that came too late belongs to nobody."""
        with self._lock:
            self._by_place.pop(place, None)
            if place in self._queue:
                self._queue.remove(place)

    def forced(self, place: str) -> str | None:
        """A number that was given by name."""
        with self._lock:
            return self._by_place.pop(place, None)
