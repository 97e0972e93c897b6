"""Units that were not tested, and why: the only thing of a shift that no journal records.

One line a refusal, in the shift's folder. Losing one costs a line of the shift's page
and no verdict, so a folder that does not take it stops nobody.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from harness.journal_form import JournalForm

FILE_NAME = "refused.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A unit that was not tested.

    Attributes:
        at: calendar of the position's clock, UTC.
        place: name of the position that it sat in.
        serial: its serial number.
        why: what the operator was shown.
    """

    at: str
    place: str
    serial: str
    why: str


REFUSAL = JournalForm(Refusal, name="refusal")


class Refusals:
    """Writes refusals down; safe to call from several positions.

    Args:
        folder: the shift's folder.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME
        self._lock = Lock()

    def add(self, refusal: Refusal) -> None:
        """Write one down."""
        line = json.dumps(REFUSAL.written(refusal)) + "\n"
        with self._lock, suppress(OSError), self._path.open("ab") as stream:
            stream.write(line.encode())


def read_refusals(folder: Path) -> list[Refusal]:
    """Those of a shift in order of time; a line that was cut is passed over."""
    found = []
    with suppress(OSError):
        for line in (folder / FILE_NAME).read_bytes().splitlines():
            with suppress(ValueError, RecursionError):
                found.append(REFUSAL.read(json.loads(line)))
    return sorted(found, key=lambda refusal: refusal.at)
