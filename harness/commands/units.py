"""`slotproof units ...`: questions to the ledger, CSV out of it, journals into it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.base import app, example
from harness.commands.station import DEFAULT_LEDGER, LedgerOption
from harness.errors import UsageError
from harness.output import say

if TYPE_CHECKING:
    from harness.results.ledger.ledger import Ledger

units = typer.Typer(
    help="Ask the ledger of all units ever tested.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(units, name="units")


def _opened(setting: str) -> Ledger:
    """The ledger to ask; a file that is not there is no empty ledger, but a mistake."""
    from harness.results.ledger.ledger import Ledger  # noqa: PLC0415

    if "://" not in setting and not Path(setting).exists():
        raise UsageError(
            "there is no ledger yet",
            where=setting,
            hint="name it with --ledger or SLOTPROOF_LEDGER; a station makes one",
        )
    return Ledger(setting)


LotOption = Annotated[str, typer.Option(metavar="NAME", help="only units of this lot")]
SinceOption = Annotated[
    str, typer.Option(metavar="DATE", help="only tests from this date on (ISO, UTC)")
]


@units.command(epilog=example("slotproof units show CS-000103"))
def show(
    unit: Annotated[
        str,
        typer.Argument(
            metavar="UNIT", help="serial number, or ROM code (16 hex digits)"
        ),
    ],
    *,
    ledger: LedgerOption = DEFAULT_LEDGER,
) -> None:
    """Tell a unit's history: each test with its values, plan, fixture and journal."""
    from harness.results.ledger.lines import history_lines  # noqa: PLC0415

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


@units.command("list", epilog=example("slotproof units list --lot 2026-03"))
def list_(
    *,
    lot: LotOption = "",
    since: SinceOption = "",
    outcome: Annotated[
        str, typer.Option(metavar="VERDICT", help="only passed, failed or error")
    ] = "",
    ledger: LedgerOption = DEFAULT_LEDGER,
) -> None:
    """List tests, one a line, in order of time."""
    from harness.results.ledger.lines import line_of_test  # noqa: PLC0415

    with _opened(ledger) as opened:
        for test in opened.tests(lot=lot, since=since, outcome=outcome):
            say(line_of_test(test))


@units.command(epilog=example("slotproof units clones"))
def clones(*, ledger: LedgerOption = DEFAULT_LEDGER) -> None:
    """List ROM codes that were found in more than one unit; exit code 1 if there are."""
    from harness.results.ledger.lines import conflict_line  # noqa: PLC0415

    with _opened(ledger) as opened:
        found = opened.conflicts()
    for conflict in found:
        say(conflict_line(conflict))
    raise typer.Exit(1 if found else 0)


@units.command(epilog=example("slotproof units export --values > units.csv"))
def export(
    *,
    lot: LotOption = "",
    since: SinceOption = "",
    values: Annotated[
        bool, typer.Option("--values", help="one row a measured value, not one a test")
    ] = False,
    ledger: LedgerOption = DEFAULT_LEDGER,
) -> None:
    """Write tests as CSV to the standard output."""
    from harness.results.ledger.lines import write_csv  # noqa: PLC0415

    with _opened(ledger) as opened:
        tests = opened.tests(lot=lot, since=since, whole=values)
        write_csv(tests, sys.stdout, values=values)


@units.command(epilog=example("slotproof units book results/20260301-060000-shift"))
def book(
    where: Annotated[
        list[Path],
        typer.Argument(metavar="PATH", help="journals, or folders that hold some"),
    ],
    *,
    ledger: LedgerOption = DEFAULT_LEDGER,
) -> None:
    """Enter journals into the ledger; one that stands there already changes nothing."""
    from harness.results.journal.writer import FILE_NAME  # noqa: PLC0415
    from harness.results.ledger.ledger import Ledger  # noqa: PLC0415
    from harness.results.ledger.lines import conflict_line  # noqa: PLC0415

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


@units.command(epilog=example("slotproof units assign 3D0000A4B3C2D128 CS-000101"))
def assign(
    rom_code: Annotated[
        str, typer.Argument(metavar="ROM_CODE", help="16 hex digits, CRC first")
    ],
    serial: Annotated[
        str, typer.Argument(metavar="SERIAL", help="the unit that it is really in")
    ],
    *,
    ledger: LedgerOption = DEFAULT_LEDGER,
) -> None:
    """Put right whose ROM code it is, after a label was read wrongly; tests stay."""
    with _opened(ledger) as opened:
        before = opened.reassign(rom_code, serial=serial)
    if not before:
        raise UsageError(
            f"no unit was seen with ROM code {rom_code!r}",
            hint="`slotproof units list` lists them",
        )
    say(f"{rom_code.upper()}: {before} -> {serial}")
