"""Quality of a reading: valid, suspect or rejected, and the rule by which it is repeated.

A right check value proves that the bits travelled, nothing more. A reading that
breaks what its device must keep is rejected; one that nothing contradicts and nothing
proves is suspect: it is held back until a further conversion agrees with it.

Source: field practice (a limit on the rate of change of each channel, and a second
conversion within 0.5 K of a suspect one); the rate itself is our own choice.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any

from harness.errors import DeviceError, ReadingSuspect
from harness.families.family import Session

_MEMORY = "readings"

REPEATED = "suspect readings are repeated"
"""Set in a session's memory by the code that repeats suspect readings: only then is a first
reading held back for want of proof."""


class Quality(StrEnum):
    """What a reading may be used for."""

    VALID = "valid"
    SUSPECT = "suspect"
    REJECTED = "rejected"


def quality_of(fault: DeviceError) -> Quality:
    """Of the reading that an error stands for."""
    return Quality.SUSPECT if isinstance(fault, ReadingSuspect) else Quality.REJECTED


def accept_or_hold(
    session: Session,
    value: float,
    *,
    agree: float,
    jump: float,
    rate_per_s: float,
    unproved: bool,
) -> None:
    """Let a reading pass, or hold it back until the next one agrees with it.

    Args:
        session: keeps what was accepted and what is held back.
        value: the reading.
        agree: two readings in a row of the same thing differ by no more.
        jump: change that the last accepted reading allows at once.
        rate_per_s: change that it allows beyond that for each second since.
        unproved: True if a first reading, with nothing before it, is not believed
            alone, where the caller repeats (``REPEATED``).

    Raises:
        ReadingSuspect: held back; repeat.
    """
    memory = session.memory.setdefault(_MEMORY, {})
    now_s = session.clock.now_s()
    held, accepted = memory.get("held"), memory.get("accepted")
    if reason := _comes_back(memory, value, agree=agree):
        memory["held"], memory["accepted"] = value, None
        raise ReadingSuspect(f"held back: {reason}")
    if held is not None and abs(value - held) <= agree:
        reason = ""
    elif accepted is not None:
        before, at_s = accepted
        allowed = jump + rate_per_s * (now_s - at_s)
        reason = (
            f"{value:.4f} after {before:.4f} {now_s - at_s:.1f} s ago: more than the "
            f"{allowed:.1f} that such a time allows"
            if abs(value - before) > allowed
            else ""
        )
    elif held is not None:
        reason = f"{value:.4f} after {held:.4f}: two readings in a row do not agree"
    else:
        reason = (
            f"{value:.4f} is the first reading and its freshness cannot be seen"
            if unproved and session.memory.get(REPEATED)
            else ""
        )
    if reason:
        memory["held"] = value
        raise ReadingSuspect(f"held back: {reason}")
    memory["accepted"], memory["held"] = (value, now_s), None


_AGAIN = 2
"""A wrong block that passes its check value comes again by chance in one of 256 cases
(CRC-8); one that was dropped twice is no accident."""


def _comes_back(memory: dict[str, Any], value: float, *, agree: float) -> str:
    """Why a reading that agrees with the accepted one is not believed yet; else empty.

    A value that is held back, contradicted by the next reading and comes again is as
    regular as the one that contradicts it: which of the two is right nobody can say. Then
    two in a row have to agree again.
    """
    held, accepted = memory.get("held"), memory.get("accepted")
    if held is None or accepted is None or abs(value - held) <= agree:
        return ""
    dropped: list[float] = memory.setdefault("dropped", [])
    times = sum(abs(held - other) <= agree for other in dropped) + 1
    if times < _AGAIN:
        dropped.append(held)
        return ""
    memory["dropped"] = []
    return (
        f"{value:.4f} and {held:.4f} alternate: {held:.4f} was contradicted by the "
        f"next reading {times} times and came again"
    )
