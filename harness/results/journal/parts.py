"""A journal in several files: ``journal.jsonl``, ``journal.2.jsonl`` and so on.

A part that is full, or whose run was cut, is never written to again; what follows goes
into the next part, which begins with ``part_started``.
"""

from __future__ import annotations

from pathlib import Path

PART_BYTES = 64_000_000
"""A part that has grown beyond this is left, and the next one begun."""


def part_path(first: Path, number: int) -> Path:
    """The file of a part; the first has number 1."""
    if number == 1:
        return first
    return first.with_name(f"{first.stem}.{number}{first.suffix}")


def last_part(first: Path) -> int:
    """Number of the last part that is there."""
    number = 1
    while part_path(first, number + 1).exists():
        number += 1
    return number
