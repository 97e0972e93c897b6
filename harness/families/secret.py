"""A value that must never be shown: masked wherever Python would print it."""

from __future__ import annotations

import hmac
from typing import NoReturn

MASK = "********"


class Secret:
    """Bytes that only ``reveal`` gives away.

    Text forms, formatting and comparison by ``==`` reveal nothing; copying to a file
    by pickle is refused.

    Args:
        value: the secret itself.
        source: where it came from, such as ``env:BENCH_SECRET``; may be shown.
    """

    __slots__ = ("_value", "source")

    def __init__(self, value: bytes, *, source: str) -> None:
        self._value = value
        self.source = source

    def reveal(self) -> bytes:
        """The bytes; for the wire and for hashing, nowhere else."""
        return self._value

    def __len__(self) -> int:
        return len(self._value)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Secret):
            return NotImplemented
        return hmac.compare_digest(self._value, other._value)

    def __hash__(self) -> int:
        return hash(self.source)

    def __repr__(self) -> str:
        return f"Secret({self.source}, {MASK})"

    __str__ = __repr__

    def __format__(self, form: str) -> str:
        return MASK

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not written to a file")
