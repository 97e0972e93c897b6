"""`slotproof families`: the kinds of device."""

from __future__ import annotations

from harness.families import overview, registry
from harness.output import say


def families(*, code: str | None, class_: str | None, markdown: bool) -> None:
    """List the kinds of device: what to read, set and check, what is destructive."""
    if markdown:
        lines = [overview.markdown()]
    elif code is not None:
        family = registry.family_of(overview.parse_code(code))
        lines = list(overview.details_of(family))
    else:
        lines = list(overview.lines_of(overview.families_of(class_)))
    for line in lines:
        say(line)
