"""Where a unit's serial number comes from: scanner, file, or nowhere.

A scanner is a keyboard: a number and enter. With several positions, a number goes to the
position whose unit waits for one the longest; a number for which no unit waits is refused,
since it would end on the next unit, whichever that is. ``POSITION=NUMBER`` names the position
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
    """A source of serial numbers; safe to call from several positions."""

    def wanted(self, position: str) -> str | None:
        """The number for the unit in a position; None if it is not there yet."""
        ...

    def given_up(self, position: str) -> None:
        """The position does not wait for a number any more."""
        ...

    def forced(self, position: str) -> str | None:
        """A number that was given to an empty position by name; None if none was."""
        ...


class NoSerials:
    """Units without serial numbers: their ROM codes tell them apart."""

    def wanted(self, position: str) -> str | None:
        """Always the empty number."""
        return ""

    def given_up(self, position: str) -> None:
        """Nothing was promised."""

    def forced(self, position: str) -> str | None:
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

    def wanted(self, position: str) -> str | None:
        """The next number; None once all are used."""
        with self._lock:
            if not self._left:
                return None
            self._given[position] = self._left.popleft()
            return self._given[position]

    def given_up(self, position: str) -> None:
        """The number was not used: it comes next."""
        with self._lock:
            number = self._given.pop(position, None)
            if number is not None:
                self._left.appendleft(number)

    def forced(self, position: str) -> str | None:
        """Never."""
        return None


class Scanner:
    """Numbers as they are scanned or typed.

    Args:
        positions: names of the station's positions.
    """

    def __init__(self, positions: Iterable[str]) -> None:
        self._positions = tuple(positions)
        self._queue: deque[str] = deque()
        self._by_position: dict[str, str] = {}
        self._lock = Lock()

    def take(self, line: str) -> str:
        """Take one line in; the answer to the operator, one sentence or empty."""
        number = line.strip()
        if not number or not number.isprintable():
            return ""  # a stray key, such as an arrow, is no scan
        name, sign, rest = number.partition("=")
        with self._lock:
            if sign and name in self._positions:
                position, number = name, rest.strip()
            elif self._queue:
                position = self._queue.popleft()
            else:
                return f"no unit waits for {number}: put it in first, then scan it"
            self._by_position[position] = number
        return f"{position}: {number}"

    def wanted(self, position: str) -> str | None:
        """The number for a position; asking puts the position into the queue."""
        with self._lock:
            if position in self._by_position:
                return self._by_position.pop(position)
            if position not in self._queue:
                self._queue.append(position)
        return None

    def given_up(self, position: str) -> None:
        """Leave the queue; a number that came too late belongs to nobody."""
        with self._lock:
            self._by_position.pop(position, None)
            if position in self._queue:
                self._queue.remove(position)

    def forced(self, position: str) -> str | None:
        """A number that was given by name."""
        with self._lock:
            return self._by_position.pop(position, None)
