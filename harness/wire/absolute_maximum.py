"""The highest voltage that a kind bears on its pins without damage.

Source: data sheet family 28h (part DS18B20), absolute maximum ratings, voltage on any
pin relative to ground: 6.0 V; families 10h, 22h, 3Bh and 42h state the same (page
numbers from memory). A kind without a row bears what its bus is built for and no more
is assumed of it.
"""

from __future__ import annotations

ABSOLUTE_MAXIMUM_V = {0x10: 6.0, 0x22: 6.0, 0x28: 6.0, 0x3B: 6.0, 0x42: 6.0}
"""Absolute maximum rating by family code."""


def bears_v(family: int, *, built_for_v: float) -> float:
    """Highest voltage that a device may ever see.

    Args:
        family: its family code.
        built_for_v: supply that its bus was built for, where its kind has no row.
    """
    return ABSOLUTE_MAXIMUM_V.get(family, built_for_v)
