"""The characters of a run where they stand in a recording, packed: a long run has millions."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldCharacter:
    """A character where it stands in the recording.

    Attributes:
        burst: number of its burst.
        frame: number of its frame among the run's.
        sent: the character.
        own_low_us: how long the host alone held the line.
        start_s: falling edge that begins it, on the recording's clock.
        low_us: how long the line was low from there on.
    """

    burst: int
    frame: int
    sent: int
    own_low_us: float
    start_s: float
    low_us: float


class HeldCharacters:
    """Characters in the order of their bursts, 33 bytes each."""

    def __init__(self, characters: Iterable[HeldCharacter] = ()) -> None:
        self._burst, self._frame = array("i"), array("i")
        self._sent = array("B")
        self._own_low_us, self._start_s = array("d"), array("d")
        self._low_us = array("d")
        for held in characters:
            self.append(held)

    def append(self, held: HeldCharacter) -> None:
        """Take one in behind all others; its burst is none of an earlier one."""
        self._burst.append(held.burst)
        self._frame.append(held.frame)
        self._sent.append(held.sent)
        self._own_low_us.append(held.own_low_us)
        self._start_s.append(held.start_s)
        self._low_us.append(held.low_us)

    def __len__(self) -> int:
        return len(self._burst)

    def __getitem__(self, index: int) -> HeldCharacter:
        return HeldCharacter(
            burst=self._burst[index],
            frame=self._frame[index],
            sent=self._sent[index],
            own_low_us=self._own_low_us[index],
            start_s=self._start_s[index],
            low_us=self._low_us[index],
        )

    def __iter__(self) -> Iterator[HeldCharacter]:
        return map(self.__getitem__, range(len(self)))

    def of_bursts(self, begin: int, beyond: int) -> Iterator[HeldCharacter]:
        """Those of the bursts from one number up to another."""
        first = bisect_left(self._burst, begin)
        return map(self.__getitem__, range(first, bisect_left(self._burst, beyond)))

    def starts_s(self) -> NDArray[np.float64]:
        """When each begins, on the recording's clock."""
        return np.array(self._start_s, np.float64)
