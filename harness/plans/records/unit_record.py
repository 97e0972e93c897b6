"""The record of the unit in hand, for one of its devices."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from harness.errors import UsageError
from harness.families.check import RecordToWrite
from harness.plans.records.codec import compared, encoded
from harness.plans.schema.plan import Plan


def unit_record(
    plan: Plan,
    rom_code: str,
    before_sending: Callable[[str, str, bool], None],
    name: str,
) -> RecordToWrite:
    """A record of a plan.

    Args:
        plan: of the unit in hand.
        rom_code: of the device that the record is for.
        before_sending: called before the first bit goes out, with name, ROM code and
            True if another record stands there.
        name: of the layout.

    Raises:
        UsageError: the plan has no such record.
    """
    layout = plan.record.get(name)
    if layout is None:
        known = ", ".join(plan.record) or "none"
        raise UsageError(
            f"the plan has no record {name!r}", hint=f"its records: {known}"
        )
    return RecordToWrite(
        name=name,
        data=encoded(layout, rom_code),
        compare=partial(compared, layout),
        before_sending=partial(before_sending, name, rom_code),
    )
