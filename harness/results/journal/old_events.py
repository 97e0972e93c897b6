"""Events of journals that an earlier version wrote, with the current names.

The journal itself is never changed; its readers get the names that a plan has today.
"""

from __future__ import annotations

import re
from typing import Any

from harness.old_names import OLD_NAMES, OWN_TITLES, current_name, current_title

_WITH_NAMES = frozenset({"run_started", "step_started", "check_done", "soak_started"})

_ANY_OLD = re.compile(
    rf"\b(?:{'|'.join(map(re.escape, (*OLD_NAMES, *OWN_TITLES)))})".encode()
)
"""Spares the walk through an event whose line holds no old name at all."""


_CURRENT = {"quantity": current_name, "title": current_title}
"""Keys whose texts are names, or made from names."""


def put_current_names(event: dict[str, Any], line: bytes) -> None:
    """Replace old names of quantities and checks in an event, in place.

    Args:
        event: read from ``line``; one that is not built as expected is left alone.
        line: as it stands in the journal.
    """
    if event["event"] in _WITH_NAMES and _ANY_OLD.search(line):
        _walk(event)


def _walk(value: object) -> None:
    if isinstance(value, list):
        for item in value:
            _walk(item)
    elif isinstance(value, dict):
        if "measurements" in value:
            _rename_measurements(value["measurements"])
        for key, inner in value.items():
            if isinstance(inner, str) and key in _CURRENT:
                value[key] = _CURRENT[key](inner)
            else:
                _walk(inner)


def _rename_measurements(measurements: object) -> None:
    for measured in measurements if isinstance(measurements, list) else ():
        if isinstance(measured, dict) and isinstance(measured.get("name"), str):
            measured["name"] = current_name(measured["name"])
