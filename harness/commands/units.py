"""`slotproof units ...`: questions to the ledger, CSV out of it, journals into it."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from harness.commands.base import print_json, print_texts
from harness.commands.declared.style import OutputStyle
from harness.commands.outputs.others import (
    SharedRomCode,
    UnitNumber,
    UnitRecord,
    UnitsAnswer,
    UnitValue,
)
from harness.errors import UsageError
from harness.results.journal.writer import FILE_NAME
from harness.results.ledger.entry import UnitTest
from harness.results.ledger.ledger import Conflict, Ledger
from harness.results.ledger.lines import (
    conflict_line,
    history_lines,
    line_of_test,
    write_csv,
)
from harness.results.ledger.numbers import NumberHolder, numbers_of

EXIT_SHARED = 1
"""A ROM code was found in more than one unit."""


def _opened(setting: str) -> Ledger:
    """The ledger to ask; a file that is not there is no empty ledger, but a mistake."""
    if "://" not in setting and not Path(setting).exists():
        raise UsageError(
            "there is no ledger yet",
            where=setting,
            hint="name it with --ledger or SLOTPROOF_LEDGER; a station makes one, a "
            "simulated one in the folder of its shift",
        )
    return Ledger(setting)


def show(*, unit: str, ledger: str, style: OutputStyle) -> None:
    """Print a unit's history: each test with its values, plan, fixture and journal."""
    with _opened(ledger) as opened:
        found = opened.tests_of(serial=unit) or opened.tests_of(rom_code=unit)
        shared = [
            c for c in opened.conflicts() if unit in {c.rom_code, c.serial, c.owner}
        ]
        numbers = numbers_of(opened, (t.unit.serial for t in found if t.unit.serial))
    if not found:
        raise UsageError(
            f"no unit and no ROM code {unit!r} in this ledger",
            hint="`slotproof units list` lists them; --ledger names another",
        )
    if style.json:
        _print_answer("show", ledger, tests=found, shared=shared, numbers=numbers)
        return
    print_texts(history_lines(found, shared, numbers))


def list_(
    *, lot: str, since: str, outcome: str, ledger: str, style: OutputStyle
) -> None:
    """List tests, one a line, in order of time."""
    with _opened(ledger) as opened:
        tests = opened.tests(lot=lot, since=since, outcome=outcome)
        if style.json:
            _print_answer("list", ledger, tests=tests)
            return
        print_texts(map(line_of_test, tests))


def clones(*, ledger: str, style: OutputStyle) -> int:
    """List ROM codes that were found in more than one unit; exit code 1 if there are."""
    with _opened(ledger) as opened:
        found = opened.conflicts()
    code = EXIT_SHARED if found else 0
    if style.json:
        _print_answer("clones", ledger, shared=found, code=code)
        return code
    print_texts(map(conflict_line, found))
    return code


def export(*, lot: str, since: str, values: bool, ledger: str) -> None:
    """Write tests as CSV to the standard output."""
    with _opened(ledger) as opened:
        tests = opened.tests(lot=lot, since=since, whole=values)
        write_csv(tests, sys.stdout, values=values)


def book(*, where: tuple[Path, ...], ledger: str, style: OutputStyle) -> None:
    """Enter journals into the ledger; one that stands there already changes nothing."""
    journals = [
        journal
        for path in where
        for journal in (sorted(path.rglob(FILE_NAME)) if path.is_dir() else [path])
    ]
    with Ledger(ledger) as opened:
        booked = [opened.book(journal) for journal in journals]
    new = sum(entry.is_new for entry in booked)
    shared = [conflict for entry in booked for conflict in entry.conflicts]
    done = f"{new} new, {len(journals) - new} known already"
    if style.json:
        _print_answer("book", ledger, shared=shared, done=done)
        return
    print_texts(map(conflict_line, shared))
    print_texts([done])


def assign(*, rom_code: str, serial: str, ledger: str, style: OutputStyle) -> None:
    """Put right whose ROM code it is, after a label was read wrongly; tests stay."""
    with _opened(ledger) as opened:
        before = opened.reassign(rom_code, serial=serial)
    if not before:
        raise UsageError(
            f"no unit was seen with ROM code {rom_code!r}",
            hint="`slotproof units list` lists them",
        )
    done = f"{rom_code.upper()}: {before} -> {serial}"
    if style.json:
        _print_answer("assign", ledger, done=done)
        return
    print_texts([done])


def _print_answer(
    command: str,
    ledger: str,
    *,
    tests: Iterable[UnitTest] = (),
    shared: Iterable[Conflict] = (),
    numbers: Iterable[NumberHolder] = (),
    done: str = "",
    code: int = 0,
) -> None:
    print_json(
        UnitsAnswer(
            command=f"units {command}",
            exit_code=code,
            ledger=ledger,
            tests=tuple(map(_test, tests)),
            shared_rom_codes=tuple(
                SharedRomCode(
                    rom_code=conflict.rom_code,
                    serial=conflict.serial,
                    first_seen_in=conflict.owner,
                    since=conflict.since,
                )
                for conflict in shared
            ),
            numbers=tuple(
                UnitNumber(
                    serial=holder.unit,
                    range_name=holder.name,
                    number=holder.number,
                    station=holder.station,
                    at=holder.at,
                )
                for holder in numbers
            ),
            done=done,
        )
    )


def _test(test: UnitTest) -> UnitRecord:
    return UnitRecord(
        serial=test.unit.serial,
        rom_codes=tuple(code for code, _ in test.rom_codes),
        lot=test.unit.lot,
        station=test.unit.station,
        position=test.unit.place,
        verdict=str(test.outcome),
        simulated=test.simulated,
        started_at=test.started_at,
        duration_s=test.duration_s,
        reason=test.reason.message,
        look_first=test.reason.hint,
        plan=test.plan_title,
        fixture=test.fixture_title,
        run_id=test.run_id,
        journal=test.journal,
        values=tuple(
            UnitValue(
                step=value.step,
                rom_code=value.rom_code,
                quantity=value.name,
                value=value.value,
                text=value.text,
                unit=value.unit,
                low=value.low,
                high=value.high,
                verdict=value.outcome,
                condition=value.condition,
            )
            for value in test.readings
        ),
    )
