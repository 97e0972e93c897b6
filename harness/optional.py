"""Parts of an installation that may be left out, and what is said where one is missing.

A production station needs neither pictures nor statistics, and these are most of an
installation's size. Whoever asks for what a part does is told its name.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec

from harness.errors import UsageError


@dataclass(frozen=True, slots=True)
class OptionalPart:
    """One part: its name in ``slotproof[name]``, its library, and what needs it."""

    name: str
    library: str
    use: str


PICTURES = OptionalPart("pictures", "matplotlib", "drawing pictures")
STATISTICS = OptionalPart(
    "statistics", "scipy", "statistics (lots, samples, gauges, a soak, a diagnosis)"
)
RECORDINGS = OptionalPart("recordings", "pyarrow", "reading CSV recordings")
_PARTS = (PICTURES, STATISTICS, RECORDINGS)


def is_installed(part: OptionalPart) -> bool:
    """True if the part's library is there."""
    try:
        return find_spec(part.library) is not None
    except (ImportError, ValueError):
        return False


def missing(part: OptionalPart, *, instead: str = "", where: str = "") -> UsageError:
    """The error of a part that is asked for and not installed.

    Args:
        part: the part.
        instead: what can be done without it; empty if nothing.
        where: place of what asks for it.
    """
    return UsageError(
        f"{part.use} needs the library {part.library}, which is not installed",
        where=where,
        hint=f"pip install 'slotproof[{part.name}]'{f', or {instead}' if instead else ''}",
    )


def require(part: OptionalPart, *, where: str = "") -> None:
    """Raise the error of a missing part, where it is.

    Raises:
        UsageError: the part is not installed.
    """
    if not is_installed(part):
        raise missing(part, where=where)


@contextmanager
def missing_parts_named() -> Iterator[None]:
    """Within, the import of a part's library that is not there is the error of its part.

    Raises:
        UsageError: a part is not installed.
    """
    try:
        yield
    except ImportError as fault:
        library = (fault.name or "").partition(".")[0]
        for part in _PARTS:
            if part.library == library and not is_installed(part):
                raise missing(part) from fault
        raise
