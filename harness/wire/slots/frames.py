"""UART character <-> time slot, and the choice of the frames to use.

A character starts with a low start bit, then eight data bits, least significant
first, then high. With Tb the bit time and k zero bits at the low end of the byte
the line is low for (1+k) Tb and the receiver samples data bit i at (i+1.5) Tb.
Only bytes of the form ones-above-zeros make one low pulse; any other byte would
make a second falling edge, that is a second slot.

    byte    FF  FE  FC  F8  F0  E0  C0  80  00
    low/Tb   1   2   3   4   5   6   7   8   9

A slot is one character: FFh is write-1 and read (bit 0 of the echo is the
answer), a byte with a long low is write-0. A reset is one character at a low
rate; the bits above its zeros sample the line for a presence pulse.

The receiver finds the falling edge on its own grid, up to Tb/16 late (16-fold
oversampling), and every sample moves with it. Sample points are therefore
intervals here, and the default frames keep the whole interval inside the limits.
"""

from harness.wire.slots.character import (
    NEEDED_MARGIN,
    OVERSAMPLING,
    PULSE_BYTES,
    CannotMake,
    Frame,
)
from harness.wire.slots.resets import Presence, ResetFrame, ResetReading, choose_reset
from harness.wire.slots.time_slots import (
    FAST_CLOCK_PPM,
    SlotFrames,
    choose_slots,
    slot_candidates,
    slot_margins,
)

__all__ = [
    "FAST_CLOCK_PPM",
    "NEEDED_MARGIN",
    "OVERSAMPLING",
    "PULSE_BYTES",
    "CannotMake",
    "Frame",
    "Presence",
    "ResetFrame",
    "ResetReading",
    "SlotFrames",
    "choose_reset",
    "choose_slots",
    "slot_candidates",
    "slot_margins",
]
