"""The people at a position: whose hands put units in."""

from __future__ import annotations

from typing import Protocol

from harness.station.display_states import DisplayState


class Hands(Protocol):
    """Who puts units in and takes them out: a person, or a rehearsed shift."""

    def see(self, sign: DisplayState) -> None:
        """Hears of each new state of the position."""
        ...

    @property
    def has_more(self) -> bool:
        """False once no unit will come any more."""
        ...


class Person:
    """A person: sees the screen, and always has another unit."""

    has_more = True

    def see(self, sign: DisplayState) -> None:
        """The screen shows it."""
