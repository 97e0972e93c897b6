"""Suspect readings are repeated by rule, and the repetition stays visible."""

from __future__ import annotations

from harness.errors import ReadingSuspect
from harness.families.common.readings import REPEATED, Quality
from harness.families.family import Answer, Quantity, Session
from harness.records import Attempt, Outcome

_REPEATS = 3
"""Conversions after the first; no two of them agreeing is a verdict by itself."""


def read_with_repeats(
    quantity: Quantity, session: Session, *, fresh: bool
) -> tuple[Answer, tuple[Attempt, ...]]:
    """One valid answer, and the suspect ones that went before it.

    Args:
        quantity: what to ask for.
        session: the device.
        fresh: False to begin with what a common conversion left; a repetition always
            measures anew.

    Raises:
        ReadingSuspect: no repetition agreed; nothing is published.
        DeviceError, LineError, AdapterError: as the device and the bus say.
    """
    ask = quantity.read if fresh or quantity.reread is None else quantity.reread
    session.memory[REPEATED] = True
    held: list[Attempt] = []
    while True:
        try:
            answer = ask(session)
        except ReadingSuspect as fault:
            if len(held) == _REPEATS:
                raise
            held.append(
                Attempt(outcome=Outcome.FAILED, kind=fault.kind, message=fault.what)
            )
            ask = quantity.read
            continue
        answer.evidence["quality"] = str(Quality.VALID)
        return answer, tuple(held)
