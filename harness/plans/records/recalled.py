"""What ``--recall`` names: journals, results folders and ledgers, as guesses of a search.

A module of its own, loaded where the option is given: a ledger's library takes long to load.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from harness.errors import UsageError
from harness.plans.records.guesses import (
    MOST_CODES,
    Guesses,
    codes_in_journal,
    constants_in_journal,
    made_of,
    possible,
)
from harness.results.journal.writer import FILE_NAME
from harness.results.ledger.ledger import Ledger, LedgerAway
from harness.wire.romcode import RomCode

_SQLITE = b"SQLite format 3\0"
"""How each such file begins (source: sqlite.org/fileformat2.html, section 1.3)."""


def guesses_of(sources: Iterable[str]) -> Guesses:
    """Guesses from what a user names.

    Args:
        sources: journals, results folders or ledgers (a file, or a ``postgresql://``
            URL), the latest last.

    Raises:
        UsageError: one is none of these, or does not answer.
    """
    named = list(sources)
    recalled: list[RomCode] = []
    seen: list[RomCode] = []
    constants: dict[str, str] = {}
    for source in reversed(named):
        if _is_ledger(source):
            codes, kept = _in_ledger(source)
            seen += codes
        else:
            journal = _journal_in(Path(source))
            recalled += codes_in_journal(journal)
            kept = constants_in_journal(journal)
        constants |= {code: kept[code] for code in kept if code not in constants}
    return made_of(recalled, seen, origin=", ".join(named), constants=constants)


def _journal_in(path: Path) -> Path:
    """The journal that a user means by a file or a folder.

    Raises:
        UsageError: the folder has none.
    """
    if not path.is_dir():
        return path
    if not (path / FILE_NAME).is_file():
        raise UsageError(
            f"there is no {FILE_NAME} in this folder to guess from",
            where=str(path),
            hint="name the results folder of one run, a journal, or a ledger",
        )
    return path / FILE_NAME


def _is_ledger(source: str) -> bool:
    if "://" in source:
        return True
    path = Path(source)
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        return stream.read(len(_SQLITE)) == _SQLITE


def _in_ledger(source: str) -> tuple[list[RomCode], dict[str, str]]:
    """Devices that were booked last, and their own constants.

    Raises:
        UsageError: it is no ledger, or does not answer.
    """
    try:
        with Ledger(source) as ledger:
            codes = ledger.latest_codes(most=MOST_CODES)
            return possible(codes), ledger.constants_of(codes)
    except LedgerAway as away:
        raise UsageError(
            f"no guesses from this ledger: {away.what}",
            where=away.where,
            hint="leave --recall out: the search finds the same, and takes longer",
        ) from away
