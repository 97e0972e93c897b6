"""`slotproof units ...`: questions to the ledger, CSV out of it, journals into it."""

from __future__ import annotations

import sys
from pathlib import Path

from harness.errors import UsageError
from harness.output import say
from harness.results.journal.writer import FILE_NAME
from harness.results.ledger.ledger import Ledger
from harness.results.ledger.lines import (
    conflict_line,
    history_lines,
    line_of_test,
    write_csv,
)


def _opened(setting: str) -> Ledger:
    """The ledger to ask; a file that is not there is no empty ledger, but a mistake."""
    if "://" not in setting and not Path(setting).exists():
        raise UsageError(
            "there is no ledger yet",
            where=setting,
            hint="name it with --ledger or SLOTPROOF_LEDGER; a station makes one",
        )
    return Ledger(setting)


def show(*, unit: str, ledger: str) -> None:
    """Tell a unit's history: each test with its values, plan, fixture and journal."""
    with _opened(ledger) as opened:
        found = opened.tests_of(serial=unit) or opened.tests_of(rom_code=unit)
        shared = [
            c for c in opened.conflicts() if unit in {c.rom_code, c.serial, c.owner}
        ]
    if not found:
        raise UsageError(
            f"no unit and no ROM code {unit!r} in this ledger",
            hint="`slotproof units list` lists them; --ledger names another",
        )
    for line in history_lines(found, shared):
        say(line)


def list_(*, lot: str, since: str, outcome: str, ledger: str) -> None:
    """List tests, one a line, in order of time."""
    with _opened(ledger) as opened:
        for test in opened.tests(lot=lot, since=since, outcome=outcome):
            say(line_of_test(test))


def clones(*, ledger: str) -> int:
    """List ROM codes that were found in more than one unit; exit code 1 if there are."""
    with _opened(ledger) as opened:
        found = opened.conflicts()
    for conflict in found:
        say(conflict_line(conflict))
    return 1 if found else 0


def export(*, lot: str, since: str, values: bool, ledger: str) -> None:
    """Write tests as CSV to the standard output."""
    with _opened(ledger) as opened:
        tests = opened.tests(lot=lot, since=since, whole=values)
        write_csv(tests, sys.stdout, values=values)


def book(*, where: tuple[Path, ...], ledger: str) -> None:
    """Enter journals into the ledger; one that stands there already changes nothing."""
    journals = [
        journal
        for path in where
        for journal in (sorted(path.rglob(FILE_NAME)) if path.is_dir() else [path])
    ]
    new = 0
    with Ledger(ledger) as opened:
        for journal in journals:
            booked = opened.book(journal)
            new += booked.is_new
            for conflict in booked.conflicts:
                say(conflict_line(conflict))
    say(f"{new} new, {len(journals) - new} known already")


def assign(*, rom_code: str, serial: str, ledger: str) -> None:
    """Put right whose ROM code it is, after a label was read wrongly; tests stay."""
    with _opened(ledger) as opened:
        before = opened.reassign(rom_code, serial=serial)
    if not before:
        raise UsageError(
            f"no unit was seen with ROM code {rom_code!r}",
            hint="`slotproof units list` lists them",
        )
    say(f"{rom_code.upper()}: {before} -> {serial}")
