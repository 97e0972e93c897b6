"""Reads a message's list of choices: what is listed changes with the house, its form does not."""

from __future__ import annotations

import re

_LISTED = re.compile(r"(?<=expected one of )(.*?)(?=; did you mean|$)")


def shortened(message: str) -> str:
    """The message with ``...`` in place of the choices that it lists."""
    return _LISTED.sub("...", message)


def choices(message: str) -> list[str]:
    """The choices that it lists, in order; none if it lists none."""
    found = _LISTED.search(message)
    return found[0].split(", ") if found else []
