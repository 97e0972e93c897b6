"""Which side decides how long the line is low in a slot."""

from enum import IntEnum


class SlotSide(IntEnum):
    """Which side decides the low of a slot, beyond the host's falling edge."""

    EITHER = 0
    HOST = 1
    DEVICE = 2
