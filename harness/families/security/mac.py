"""The 55-byte blocks that authenticators hash, as rows of names, and their MAC.

A layout is a text such as ``SS0-3 PP0-31 FFx4 MP FC S0-5 SS4-7 SP4-6``: names with byte
numbers, single-byte names, and constants. What a part hashes is so a line of data, and
a part whose layout its maker gives out on request only can be served from a file.

The device's algorithm is SHA-1 (FIPS 180-4) without its last step: the five start
values are not added to the five words after the eighty rounds. So the published hash
is computed by the standard library, and the start values are taken off again.

Source: data sheet family 33h (part DS2432) p. 15-20, tables 1-4; sheet of the SHA-1
coprocessor (DSSHA1) p. 5.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

from harness.errors import UsageError

BLOCK_BYTES, MAC_BYTES = 55, 20

_START = (0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476, 0xC3D2E1F0)
_BYTES = re.compile(r"([A-Z]{1,2}?)(\d+)(?:-(\d+))?")
_CONSTANT = re.compile(r"([0-9A-F]{2})x(\d+)")
_NAMES = {"SS": 8, "PP": 32, "SP": 8, "RG": 8, "RC": 8, "S": 6}
_SINGLE = ("MP", "FC")


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where each byte of a block comes from.

    Names: SS secret, PP page, SP scratchpad, RG register page, RC whole ROM code, S
    serial number (low byte first), FC family code, MP the byte of command and page.

    Attributes:
        places: name and number of each byte, or an empty name and a constant.
    """

    places: tuple[tuple[str, int], ...]

    @classmethod
    def parse(cls, text: str) -> Self:
        """From its text.

        Raises:
            UsageError: a word that is none, or not 55 bytes.
        """
        places = [place for word in text.split() for place in _places(word)]
        if len(places) != BLOCK_BYTES:
            raise UsageError(
                f"the block layout has {len(places)} bytes",
                hint=f"expected {BLOCK_BYTES} bytes",
            )
        return cls(places=tuple(places))

    @property
    def challenge_places(self) -> tuple[int, ...]:
        """Scratchpad bytes that the block takes."""
        return tuple(number for name, number in self.places if name == "SP")

    def fill(self, sources: Mapping[str, bytes]) -> bytes:
        """The block, from the bytes of each name."""
        return bytes(
            sources[name][number] if name else number for name, number in self.places
        )


def _places(word: str) -> list[tuple[str, int]]:
    if word in _SINGLE:
        return [(word, 0)]
    constant = _CONSTANT.fullmatch(word)
    if constant:
        return [("", int(constant[1], 16))] * int(constant[2])
    ranged = _BYTES.fullmatch(word)
    if ranged and ranged[1] in _NAMES:
        first, last = int(ranged[2]), int(ranged[3] or ranged[2])
        if first <= last < _NAMES[ranged[1]]:
            return [(ranged[1], number) for number in range(first, last + 1)]
    raise UsageError(
        f"the block layout has the word {word!r}",
        hint="such as SS0-3, PP0-31, SP4-6, FFx4, MP, FC, S0-5",
    )


def mac_of(block: bytes) -> bytes:
    """The twenty bytes in the order of the wire: last word first, low byte first."""
    digest = hashlib.sha1(block, usedforsecurity=False).digest()
    words = (
        (int.from_bytes(digest[at : at + 4], "big") - start) & 0xFFFFFFFF
        for at, start in zip(range(0, MAC_BYTES, 4), _START, strict=True)
    )
    return b"".join(word.to_bytes(4, "big") for word in words)[::-1]
