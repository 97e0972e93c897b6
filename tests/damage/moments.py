"""When the damage is done: from the start, from the middle on, once, rarely, often."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from tests.damage.modes import Sent

START, MIDDLE, ONCE, RARELY, OFTEN = "start", "middle", "once", "rarely", "often"
BEHIND = ("reset", "write-0", "write-1", "read-0", "last")
NAMES = (START, MIDDLE, ONCE, RARELY, OFTEN, *(f"behind {kind}" for kind in BEHIND))

_RARELY, _OFTEN = 0.004, 0.25
"""Share of chunks (packets) that are damaged."""


@dataclass
class Moment:
    """One of ``NAMES``, with what was drawn for it.

    Attributes:
        name: when.
        at: character from which (middle), about which (once), or how many of a kind of
            frame pass before (behind).
    """

    name: str
    at: int
    _begun: bool = field(default=False, init=False)
    _done: bool = field(default=False, init=False)
    _seen: int = field(default=0, init=False)
    _bursts: int = field(default=0, init=False)

    def strikes(self, draw: random.Random, came: int) -> bool:
        """True if the next chunk is to be damaged."""
        if self.name == START:
            return True
        if self.name == MIDDLE:
            return came >= self.at
        if self.name == ONCE:
            hit = came >= self.at and not self._done
            self._done = self._done or hit
            return hit
        if self.name in {RARELY, OFTEN}:
            return draw.random() < (_RARELY if self.name == RARELY else _OFTEN)
        return self._begun

    def strikes_burst(self, draw: random.Random) -> bool:
        """As ``strikes`` for what is written; counts bursts instead of characters."""
        self._bursts += 1
        return self.strikes(draw, self._bursts * 8)

    def passes(self, sent: Sent, echo: int) -> bool:
        """True if damage begins behind this character."""
        if self._begun or not self.name.startswith("behind "):
            return False
        kind = self.name.removeprefix("behind ")
        is_kind = {
            "reset": sent.kind == "reset",
            "write-0": sent.kind == "write-0",
            "write-1": sent.kind == "one" and echo == 0xFF,
            "read-0": sent.kind == "one" and echo != 0xFF,
            "last": sent.is_last,
        }[kind]
        self._seen += is_kind
        return is_kind and self._seen > self.at

    def begin(self) -> None:
        """Damage from now on."""
        self._begun = True
