"""What an adapter sent and heard, as characters on the line.

A character of a UART with 8 data bits is low for its start bit and each 0, high for each
1 and its stop bits; bit 0 comes first. It begins with a falling edge, so each character
can be found in a recording; its echo says what the line was in the middle of each bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from harness.recordings.decoding.rules import STANDARD_RULES

RESET_US = STANDARD_RULES.reset_us
"""A low that the host makes from here on is a reset, and begins a frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenBurst:
    """Characters that went out one behind the other.

    Attributes:
        number: its index among all bursts.
        sent: the characters.
        heard: their echoes; may be fewer.
        bit_us: length of a bit as the adapter makes it.
        stop_bits: of each character.
    """

    number: int
    sent: bytes
    heard: bytes
    bit_us: float
    stop_bits: int = 1


@dataclass(frozen=True, slots=True)
class Character:
    """One character of a burst.

    Attributes:
        burst: number of its burst.
        sent: the character.
        heard: its echo; -1 where the burst has not one echo for each character, so that
            they cannot be paired.
        bit_us: length of a bit.
        length_us: with its stop bits.
        first: True if it begins the burst.
    """

    burst: int
    sent: int
    heard: int
    bit_us: float
    length_us: float
    first: bool

    @property
    def own_low_us(self) -> float:
        """How long the host alone holds the line low at its beginning."""
        return self.bit_us * (1 + _zeros(self.sent))

    @property
    def heard_low_us(self) -> float:
        """How long the echo saw it low at its beginning."""
        return self.bit_us * (1 + _zeros(max(self.heard, 0)))

    @property
    def is_reset(self) -> bool:
        """True if it is low as long as a reset."""
        return self.own_low_us >= RESET_US


def _zeros(byte: int) -> int:
    """Zeros ahead of the first 1, bit 0 first."""
    return 8 if not byte else (byte & -byte).bit_length() - 1


class Characters:
    """Every character of a run, in order; made from its bursts when it is asked for.

    A long run has millions, so none is kept.

    Args:
        bursts: what the run sent and heard, in order.
    """

    def __init__(self, bursts: Sequence[SeenBurst]) -> None:
        self._bursts = bursts
        self._ends = np.cumsum([len(burst.sent) for burst in bursts], dtype=np.int64)

    def __len__(self) -> int:
        return int(self._ends[-1]) if len(self._ends) else 0

    def __iter__(self) -> Iterator[Character]:
        for burst in self._bursts:
            yield from _of_burst(burst)

    def part(self, begin: int, end: int) -> list[Character]:
        """Those from one index up to another."""
        first = int(np.searchsorted(self._ends, begin, "right"))
        beyond = int(np.searchsorted(self._ends, end)) + 1
        found: list[Character] = []
        for burst in self._bursts[first:beyond]:
            found += _of_burst(burst)
        ahead = int(self._ends[first - 1]) if first else 0
        return found[begin - ahead : end - ahead]


def _of_burst(burst: SeenBurst) -> Iterator[Character]:
    length_us = (9 + burst.stop_bits) * burst.bit_us
    whole = len(burst.heard) == len(burst.sent)
    for index, sent in enumerate(burst.sent):
        heard = burst.heard[index] if whole else -1
        yield Character(burst.number, sent, heard, burst.bit_us, length_us, index == 0)


def frames_of(characters: Characters) -> list[int]:
    """Where each frame begins: at a character that is a reset."""
    return [index for index, found in enumerate(characters) if found.is_reset]
