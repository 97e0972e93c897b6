"""Whether a free transaction only reads, by the command rows of the family.

What no row describes may write, lock or switch: only a command whose row says that it
changes nothing is known to be a question.
"""

from __future__ import annotations

from collections.abc import Iterable

from harness.families.command import Command, Effect
from harness.families.registry import Kinds
from harness.families.transactions import commands_in

_ASK_ROM = frozenset({0x33, 0xF0, 0xEC})
"""Read ROM, search, conditional search: no device changes by them. Source: data sheet of
family 28h p. 10."""

_LASTING = frozenset({Effect.STORED, Effect.FOR_EVER})

_BEFORE_FUNCTION = {0xCC: 1, 0xA5: 1, 0x55: 9}
"""Skip, resume, match -> bytes until the function command."""


def only_asks(kinds: Kinds, code: int, write: bytes, read: int) -> bool:
    """True if a selected device of the family keeps nothing of these bytes.

    Args:
        kinds: those of the run.
        code: family code.
        write: what follows the selection.
        read: bytes read behind it.
    """
    return all(
        row is not None and row.effect is Effect.NOTHING
        for row in _rows(kinds, code, write, read)
    )


def stores(kinds: Kinds, code: int, write: bytes) -> bool:
    """True if a row of the family says that these bytes leave something stored."""
    return any(
        row is not None and row.effect in _LASTING
        for row in _rows(kinds, code, write, 0)
    )


def _rows(kinds: Kinds, code: int, write: bytes, read: int) -> list[Command | None]:
    """The command rows that bytes behind a selection are, None for one of no row."""
    if not write:
        return []
    slots = [byte >> bit & 1 for byte in write for bit in range(8)] + [1] * (8 * read)
    seen = commands_in(slots, kinds.family_of(code).commands)
    return [one.command for one in seen if one.at < 8 * len(write)]


def only_asks_all(kinds: Kinds, codes: Iterable[int], write: bytes, read: int) -> bool:
    """As ``only_asks`` for bytes that follow a reset, which every device hears."""
    if not write or write[0] in _ASK_ROM:
        return True
    skipped = _BEFORE_FUNCTION.get(write[0])
    return skipped is not None and all(
        only_asks(kinds, code, write[skipped:], read) for code in codes
    )
