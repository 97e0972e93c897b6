"""Devices of earlier runs, as guesses that save a search time and never decide anything."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.results.reports.rebuild import read_record
from harness.wire.romcode import RomCode

_MOST_CODES = 1000
"""Codes that are used: more tell no more of lots, and each costs computing in a search."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guesses:
    """What may be on the bus.

    Attributes:
        codes: of devices that were met before, the latest first.
    """

    codes: tuple[RomCode, ...] = ()


def guesses_of(journals: Iterable[Path]) -> Guesses:
    """The devices of earlier runs.

    Args:
        journals: of these runs, the latest last.

    Raises:
        UsageError: a file is no journal, or was edited.
    """
    found = [code for path in journals for code in _codes(path)]
    latest = dict.fromkeys(reversed(found))
    return Guesses(codes=tuple(latest)[:_MOST_CODES])


def _codes(path: Path) -> Iterator[RomCode]:
    for device in read_record(path).devices:
        rom = RomCode.parse(device.rom_code)
        if rom.is_possible:
            yield rom
