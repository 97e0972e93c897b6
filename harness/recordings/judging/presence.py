"""The low of a presence pulse: of one device, or of several whose pulses overlap.

Each device waits and pulls on its own, and the line shows the low of them all: from the
earliest start to the latest end. One device alone has to keep the limit of its sheet; what
several together keep follows from it (``joint_limit``). How many there are, the rest of the
recording shows, or it does not.
"""

from __future__ import annotations

from dataclasses import replace
from enum import Enum, auto

from harness.digits import number_text
from harness.recordings.decoding.rules import presences_us
from harness.recordings.decoding.transactions import TransactionReader
from harness.recordings.record.quantity import JudgedQuantity, LimitStanding
from harness.wire.limits import Limit, SpeedLimits

ALONE, JOINT = "presence low", "joint presence low"
"""Names of the two quantities: every presence low is tallied as both, one is shown."""


class Answering(Enum):
    """How many devices answer a reset, as far as a recording shows it."""

    UNKNOWN = auto()
    ONE = auto()
    """A search without a branch, or a ROM code that was read whole: the only one."""
    SEVERAL = auto()
    """Different ROM codes, or a search with a branch."""


def answering(seen: TransactionReader, sockets: int) -> Answering:
    """How many devices there are: what the line or else the fixture says.

    Args:
        seen: all transactions of the recording.
        sockets: of the fixture; 0 without one.
    """
    if len(seen.roms) > 1 or seen.branched or sockets > 1:
        return Answering.SEVERAL
    return Answering.ONE if seen.alone or sockets == 1 else Answering.UNKNOWN


def joint_limit(limits: SpeedLimits) -> Limit:
    """How long several devices together may hold the line low behind a reset."""
    wait, low = limits.presence_wait, limits.presence_low
    return Limit(
        name=JOINT,
        low_us=low.low_us,
        high_us=presences_us(wait, low),
        source=f"{wait.source} {low.source}",
    )


def presence_verdict(
    alone: JudgedQuantity, joint: JudgedQuantity, answering: Answering
) -> JudgedQuantity:
    """The one of both that holds.

    Args:
        alone: the values by the limits of one device.
        joint: the same by the limits of several.
        answering: how many there are.
    """
    if answering is Answering.ONE:
        return alone
    if answering is Answering.SEVERAL or joint.standing is LimitStanding.OUTSIDE:
        return joint
    if alone.standing is not LimitStanding.OUTSIDE:
        return alone
    most_us = alone.row.loosest_high, joint.row.loosest_high
    one, several = map(number_text, filter(None, most_us))
    return replace(
        alone,
        standing=LimitStanding.CANNOT_TELL,
        outside=0,
        worst=(),
        doubtful=alone.outside + alone.doubtful,
        open_because=f"above {one} {alone.row.unit}, the most of one device, and not "
        f"above {several} {alone.row.unit}, the most of several together; how many "
        "devices there are the recording does not show (a search would)",
    )
