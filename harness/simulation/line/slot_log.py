"""What a pin saw of one character; the table of known outcomes asks for it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class SlotLog:
    """What a pin saw since it was last asked."""

    slots: int = 0
    bit: int = 1
    taken_us: float = 0.0
    resets: int = 0
    leaves_overdrive: bool = True
    upset: bool = False
    slot_came_last: bool = False

    @property
    def is_plain(self) -> bool:
        """True for at most one slot and then at most one reset.

        The long low of a reset begins like a slot.
        """
        return (
            self.slots <= 1
            and self.resets <= 1
            and not self.slot_came_last
            and not self.upset
        )

    def note_slot(self, bit: int, taken_us: float) -> None:
        """A bit was sampled."""
        self.slots += 1
        self.bit = bit
        self.taken_us = taken_us
        self.slot_came_last = self.resets > 0

    def note_reset(self, *, leaves_overdrive: bool) -> None:
        """A reset was seen."""
        self.resets += 1
        self.leaves_overdrive = leaves_overdrive
