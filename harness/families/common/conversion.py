"""Conversions that a device made by itself, counted in its session's memory.

The code that records what a device's result register holds compares the count
before and after: a conversion that began and did not come to its end leaves nothing
that is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from harness.families.family import Session

_BEGUN, _ENDED = "conversions begun", "conversions ended"


@contextmanager
def conversion_counted(session: Session) -> Iterator[None]:
    """Count what is done inside as one conversion; ended only if nothing is raised."""
    memory = session.memory
    memory[_BEGUN] = memory.get(_BEGUN, 0) + 1
    yield
    memory[_ENDED] = memory[_BEGUN]


def conversions_begun(session: Session) -> int:
    """How many conversions of its own the session has begun."""
    return int(session.memory.get(_BEGUN, 0))


def last_conversion_ended(session: Session) -> bool:
    """True if the last of them came to its end."""
    return session.memory.get(_ENDED) == session.memory.get(_BEGUN)
