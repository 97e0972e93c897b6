"""What an adapter sent and heard, as characters on the line.

A character of a UART with 8 data bits is low for its start bit and each 0, high for each
1 and its stop bits; bit 0 comes first. It begins with a falling edge, so each character
can be found in a recording; its echo says what the line was in the middle of each bit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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


def characters_of(bursts: Iterable[SeenBurst]) -> list[Character]:
    """Every character in order."""
    found = []
    for burst in bursts:
        length_us = (9 + burst.stop_bits) * burst.bit_us
        whole = len(burst.heard) == len(burst.sent)
        for index, sent in enumerate(burst.sent):
            heard = burst.heard[index] if whole else -1
            found.append(
                Character(
                    burst.number, sent, heard, burst.bit_us, length_us, index == 0
                )
            )
    return found


def frames_of(characters: list[Character]) -> list[int]:
    """Where each frame begins: at a character that is a reset."""
    return [index for index, found in enumerate(characters) if found.is_reset]
