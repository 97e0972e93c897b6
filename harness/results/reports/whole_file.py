"""A file that is whole or not there, written beside its place and then moved into it."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def whole_file(path: Path) -> Generator[Path]:
    """Where to write; takes the place of ``path`` at the end, and is removed on failure.

    What a full disk has taken of it is of no use to anyone, and takes room.

    Raises:
        OSError: the folder does not take it.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        part.replace(path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
