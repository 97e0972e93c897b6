"""Probe of all kinds: what each device says of itself, by the looks of its family.

A family lists the quantities that can be asked for without changing anything; nothing
here knows a kind. An answer that fails is asked for again, since one spoilt slot is no
news about a device; how often it failed is kept.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

from harness.diagnosis.evidence.kinds import KindReading
from harness.errors import AdapterUnplugged, SlotproofError, UsageError
from harness.families.family import Quantity, SafeQuantity, Session
from harness.families.registry import Kinds
from harness.records import Scalar

TRIES = 3
"""An answer that fails so often in a row is the device's own (common practice)."""


def look_at(session: Session, *, means: int, kinds: Kinds) -> tuple[KindReading, ...]:
    """All looks of the device's family.

    Args:
        session: the device.
        means: most readings of what is worth a mean.
        kinds: those that the examination knows.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    found = (
        _reading(session, look, quantity, times=min(look.times, means))
        for look, quantity in kinds.looks_of(session.rom.family)
    )
    return tuple(reading for reading in found if reading is not None)


def look_again(session: Session, *, kinds: Kinds) -> tuple[KindReading, ...]:
    """The watched ones among them, once more.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    found = (
        _reading(session, look, quantity, times=1)
        for look, quantity in kinds.looks_of(session.rom.family)
        if look.watched
    )
    return tuple(reading for reading in found if reading is not None)


def _reading(
    session: Session, look: SafeQuantity, quantity: Quantity, *, times: int
) -> KindReading | None:
    """None if the quantity needs what nobody said, or the part does not have."""
    troubles: Counter[str] = Counter()
    values: list[Scalar] = []
    evidence: dict[str, Any] = {}
    heard: dict[str, Any] = {}
    said, tries, in_a_row = "", 0, 0
    while len(values) < times and in_a_row < TRIES:
        tries += 1
        try:
            answer = quantity.read(session)
        except UsageError:
            return None
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            troubles[fault.kind] += 1
            said, in_a_row = fault.what, in_a_row + 1
            evidence = evidence or fault.facts
            heard = heard or fault.facts
            session.settle()
            continue
        values.append(answer.value)
        evidence, in_a_row = answer.evidence, 0
        if len(values) < times:
            session.clock.sleep(look.pause_s)
    return KindReading(
        quantity=look.quantity,
        unit=quantity.unit,
        values=tuple(values),
        tries=tries,
        troubles=dict(troubles),
        said=said,
        evidence={
            **evidence,
            **{k: heard[k] for k in ("heard", "meant") if k in heard},
        },
        watched=look.watched,
    )
