"""Studies of a gauge: its scatter, and how far it is from known values."""

from __future__ import annotations

from harness.commands.declared.kit import (
    JSON,
    NUMBER,
    PATH,
    QUIET_LONG,
    argument,
    command,
    option,
)
from harness.commands.declared.lots import FILES, FOLDER, QUANTITY, STEP

REFERENCE = option(
    "--reference",
    metavar="NUMBER",
    required=True,
    type=NUMBER,
    help="known value of the unit",
)
MARGIN = option(
    "--margin",
    metavar="NUMBER",
    required=True,
    type=NUMBER,
    help="largest bias that does not matter, such as a tenth of the tolerance",
)
UNIT = option(
    "--unit", metavar="UNIT", default="", help="unit of the values, for the table"
)

COMMANDS = [
    command(
        "gauge",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.gauges.gauge",
        help="""Repeatability and reproducibility: every part on every station, at least twice.

    A station is whatever shall agree: a station, a socket, an adapter. Exit code 0 if
    the gauge is shown to be good, or with --accept-conditional to be acceptable.
    """,
        examples=("slotproof lot gauge study.csv --tolerance 1.0",),
        params=[
            argument(
                "file", metavar="CSV", type=PATH, help="columns: part, station, value"
            ),
            option(
                "--tolerance",
                metavar="NUMBER",
                type=NUMBER,
                help="width between the limits to be judged by",
            ),
            UNIT,
            option(
                "--resolution",
                metavar="NUMBER",
                type=NUMBER,
                help="step of the readings; default as they show it",
            ),
            option(
                "--accept-conditional",
                is_flag=True,
                help="exit code 0 for a conditionally acceptable gauge too",
            ),
            FOLDER,
        ],
    ),
    command(
        "golden",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.references.golden",
        help="Many readings of one golden unit: scatter and bias against the tolerance.",
        examples=(
            "slotproof lot golden results/golden --quantity temperature \\\n    --reference 25.00 --tolerance 1.0",
        ),
        params=[
            FILES,
            QUANTITY,
            option(
                "--reference",
                metavar="NUMBER",
                required=True,
                type=NUMBER,
                help="known value of the golden unit",
            ),
            option(
                "--tolerance",
                metavar="NUMBER",
                required=True,
                type=NUMBER,
                help="width between the limits to be judged by",
            ),
            STEP,
            FOLDER,
        ],
    ),
    command(
        "bias",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.references.bias",
        help="Readings of one known unit: is the bias shown to be small? Then exit code 0.",
        examples=(
            "slotproof lot bias results/golden --quantity temperature \\\n    --reference 25.00 --margin 0.1",
        ),
        params=[
            FILES,
            QUANTITY,
            REFERENCE,
            MARGIN,
            STEP,
            FOLDER,
        ],
    ),
    command(
        "linearity",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.references.linearity",
        help="Readings of several known values: is the bias small over the range? Then code 0.",
        examples=("slotproof lot linearity study.csv --margin 0.1 --unit degC",),
        params=[
            argument(
                "file", metavar="CSV", type=PATH, help="columns: reference, value"
            ),
            MARGIN,
            UNIT,
            FOLDER,
        ],
    ),
]
