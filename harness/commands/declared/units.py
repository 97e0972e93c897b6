"""The production line and its ledger."""

from __future__ import annotations

from harness.commands.declared.kit import (
    INTO,
    JSON,
    PATH,
    QUIET,
    SET,
    argument,
    command,
    option,
)

LEDGER = option(
    "--ledger",
    metavar="FILE|URL",
    default="results/ledger.sqlite",
    envvar="SLOTPROOF_LEDGER",
    help="ledger of all units: a file, or postgresql://user@host/name",
)

STATION_LEDGER = option(
    "--ledger",
    metavar="FILE|URL",
    envvar="SLOTPROOF_LEDGER",
    help="ledger of all units: a file, or postgresql://user@host/name; default is "
    "results/ledger.sqlite, and a file in the shift's folder where all fixtures are simulated",
)

COMMANDS = [
    command(
        "station",
        styles=(JSON, QUIET),
        work="harness.commands.station.station",
        help="""Test units as they are put in, side by side, until `end` or Ctrl-C.

    A shift that was cut goes on if its folder is given again with --into.
    """,
        examples=(
            "slotproof station --plan test_plans/unit_thermometer.yaml \\\n    --fixture fixtures/station_left.yaml \\\n    --fixture fixtures/station_right.yaml",
        ),
        params=[
            option(
                "--fixture",
                "-f",
                "fixture",
                metavar="FILE",
                multiple=True,
                required=True,
                type=PATH,
                help="fixture of a test position; repeatable, each with its own adapter",
            ),
            option(
                "--plan",
                metavar="FILE",
                required=True,
                type=PATH,
                help="test plan (YAML)",
            ),
            option(
                "--serials",
                metavar="scan|none|FILE",
                default="scan",
                help="serial numbers: scanned or typed, none, or a file with one a line",
            ),
            option("--lot", metavar="NAME", default="", help="name of the lot in hand"),
            option(
                "--name",
                metavar="NAME",
                default="",
                help="name of this station; default is the host's",
            ),
            STATION_LEDGER,
            SET,
            option(
                "--units",
                metavar="FILE",
                type=PATH,
                help="list of units (CSV: serial and the columns that the plan takes as $unit.NAME)",
            ),
            option(
                "--allow",
                metavar="HAZARD",
                multiple=True,
                help="hazard that the plan names and you allow; repeatable",
            ),
            option(
                "--real-time",
                is_flag=True,
                help="a rehearsal takes the time that real units would take, for training",
            ),
            INTO,
        ],
    ),
]

LOT = option("--lot", metavar="NAME", default="", help="only units of this lot")
SINCE = option(
    "--since",
    metavar="DATE",
    default="",
    help="only tests from this date on (ISO, UTC)",
)

UNITS = [
    command(
        "show",
        styles=(JSON,),
        work="harness.commands.units.show",
        help="Show a unit's history: each test with its values, plan, fixture and journal.",
        examples=("slotproof units show CS-000103",),
        params=[
            argument(
                "unit",
                metavar="UNIT",
                help="serial number, or ROM code (16 hex digits)",
            ),
            LEDGER,
        ],
    ),
    command(
        "list",
        styles=(JSON,),
        work="harness.commands.units.list_",
        help="List tests, one a line, in order of time.",
        examples=("slotproof units list --lot 2026-03",),
        params=[
            LOT,
            SINCE,
            option(
                "--outcome",
                metavar="VERDICT",
                default="",
                help="only passed, failed or error",
            ),
            LEDGER,
        ],
    ),
    command(
        "clones",
        styles=(JSON,),
        work="harness.commands.units.clones",
        help="List ROM codes that were found in more than one unit; exit code 1 if there are.",
        examples=("slotproof units clones",),
        params=[
            LEDGER,
        ],
    ),
    command(
        "export",
        work="harness.commands.units.export",
        help="Write tests as CSV to the standard output.",
        examples=("slotproof units export --values > units.csv",),
        params=[
            LOT,
            SINCE,
            option(
                "--values",
                is_flag=True,
                help="one row a measured value, not one a test",
            ),
            LEDGER,
        ],
    ),
    command(
        "book",
        styles=(JSON,),
        work="harness.commands.units.book",
        help="Enter journals into the ledger; one that stands there already changes nothing.",
        examples=("slotproof units book results/20260301-060000-shift",),
        params=[
            argument(
                "where",
                metavar="PATH",
                nargs=-1,
                required=True,
                type=PATH,
                help="journals, or folders that hold some",
            ),
            LEDGER,
        ],
    ),
    command(
        "assign",
        styles=(JSON,),
        work="harness.commands.units.assign",
        help="Put right whose ROM code it is, after a label was read wrongly; tests stay.",
        examples=("slotproof units assign 3D0000A4B3C2D128 CS-000101",),
        params=[
            argument("rom_code", metavar="ROM_CODE", help="16 hex digits, CRC first"),
            argument("serial", metavar="SERIAL", help="the unit that it is really in"),
            LEDGER,
        ],
    ),
]
