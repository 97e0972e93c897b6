"""The people at a place: whose hands put units in, and who is not asked."""

from __future__ import annotations

from typing import Protocol

from harness.errors import UsageError
from harness.station.display_states import DisplayState


class Hands(Protocol):
    """Who puts units in and takes them out: a person, or a rehearsed shift."""

    def see(self, sign: DisplayState) -> None:
        """Hears of each new state of the place."""
        ...

    @property
    def has_more(self) -> bool:
        """False once no unit will come any more."""
        ...


class NobodyToAsk:
    """A station's places run side by side: there is nobody to answer a prompt."""

    def ask(self, text: str, *, yes_no: bool) -> bool:
        """Refuse.

        Raises:
            UsageError: always.
        """
        question = "a yes or no" if yes_no else "enter"
        raise UsageError(
            f"the plan waits for {question} at {text!r}, and a station does not ask",
            hint="take the prompt step out of the plan, or use `slotproof run`",
        )


class Person:
    """A person: sees the screen, and always has another unit."""

    has_more = True

    def see(self, sign: DisplayState) -> None:
        """The screen tells."""
