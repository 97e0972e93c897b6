"""Lots against earlier lots and limits, and processes over time."""

from __future__ import annotations

import click

from harness.commands.declared.kit import (
    JSON,
    NUMBER,
    PATH,
    QUIET_LONG,
    argument,
    command,
    option,
)
from harness.old_names import current_name

FILES = argument(
    "files",
    metavar="FILE...",
    nargs=-1,
    required=True,
    type=PATH,
    help="journal, results folder (every journal in it) or CSV file",
)
QUANTITY = option(
    "--quantity",
    "-q",
    "quantity",
    metavar="NAME",
    required=True,
    callback=lambda _context, _option, name: current_name(name),
    help="measured value",
)
LOW = option(
    "--low", metavar="NUMBER", type=NUMBER, help="lower limit; default the journal's"
)
HIGH = option(
    "--high", metavar="NUMBER", type=NUMBER, help="upper limit; default the journal's"
)
CONFIDENCE = option(
    "--confidence",
    metavar="SHARE",
    default=0.95,
    type=NUMBER,
    help="confidence of a proof",
)
STEP = option(
    "--step",
    metavar="STEP",
    default="",
    help="title or number of the step, if several measured it",
)
LEAVE_OUT = option(
    "--leave-out",
    metavar="DEVICE",
    multiple=True,
    help="device that does not count; repeatable",
)
BY_CONDITION = option(
    "--by-condition",
    is_flag=True,
    help="each condition of a vary step by itself, and the worst of them",
)
FOLDER = option(
    "--into",
    metavar="FOLDER",
    type=PATH,
    help="new folder for page, table and pictures; default a dated one in results",
)
COMMANDS = [
    command(
        "compare",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.values.compare",
        help="""Is a new lot as good as the old one? Exit code 0 if all that is judged is shown.

    The mean is judged by --margin, the spread by --spread-margin only, each unit by
    the limits if there are any. The answer names what was not judged.
    """,
        examples=(
            "slotproof lot compare --quantity temperature --margin 0.1 \\\n    --baseline results/march --candidate results/april",
        ),
        params=[
            option(
                "--baseline",
                metavar="FILE",
                multiple=True,
                required=True,
                type=PATH,
                help="old lot: journal, results folder (every journal in it) or CSV file; repeatable",
            ),
            option(
                "--candidate",
                metavar="FILE",
                multiple=True,
                required=True,
                type=PATH,
                help="new lot, in the same way",
            ),
            QUANTITY,
            option(
                "--margin",
                metavar="NUMBER",
                required=True,
                type=NUMBER,
                help="largest difference of the means that does not matter, fixed beforehand from the specification",
            ),
            option(
                "--spread-margin",
                metavar="RATIO",
                type=NUMBER,
                help="the new spread must be proved below so many times the old one",
            ),
            LOW,
            HIGH,
            CONFIDENCE,
            STEP,
            BY_CONDITION,
            LEAVE_OUT,
            FOLDER,
        ],
    ),
    command(
        "capability",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.values.capability",
        help="""How does a lot sit between its limits? Exit code 0 if Ppk is proved.

    A proof holds for every shape of distribution and takes 2,296 units at 95 %, or it
    takes its shape from 2,809 values or more of earlier lots (--history).
    """,
        examples=(
            "slotproof lot capability results/april --quantity temperature \\\n    --low 24.5 --high 25.5 --uncertainty 0.05",
        ),
        params=[
            FILES,
            QUANTITY,
            LOW,
            HIGH,
            option(
                "--target", metavar="NUMBER", type=NUMBER, help="wanted value, for Ppm"
            ),
            option(
                "--wanted",
                metavar="INDEX",
                default=1.33,
                type=NUMBER,
                help="Ppk that must be proved",
            ),
            option(
                "--coverage",
                metavar="SHARE",
                default=0.95,
                type=NUMBER,
                help="share inside the tolerance interval",
            ),
            option(
                "--side",
                metavar="SIDE",
                default="both",
                help="of the tolerance interval: both, below or above",
            ),
            option(
                "--history",
                metavar="FILE",
                multiple=True,
                type=PATH,
                help="earlier lot of the same process, which states the shape: file or folder, a lot each; repeatable",
            ),
            CONFIDENCE,
            option(
                "--uncertainty",
                metavar="NUMBER",
                default=0.0,
                type=NUMBER,
                help="expanded uncertainty (k = 2), for guarded limits",
            ),
            option(
                "--in-order",
                is_flag=True,
                help="units came in the order of making: also give Cp, Cpk",
            ),
            STEP,
            BY_CONDITION,
            LEAVE_OUT,
            FOLDER,
        ],
    ),
    command(
        "chart",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.charts.chart",
        help="""Is the process the same all along? Exit code 1 if more than chance speaks against.

    Run rules signal now and then though nothing changes; how often on a chart like this
    one is simulated, and the signals are held against that.
    """,
        examples=("slotproof lot chart results/april --quantity temperature",),
        params=[
            FILES,
            QUANTITY,
            option(
                "--device",
                metavar="DEVICE",
                default="",
                help="only this device's readings",
            ),
            option(
                "--baseline",
                metavar="N",
                default=25,
                type=click.IntRange(min=2),
                help="control limits come from the first N readings and are then frozen",
            ),
            option(
                "--rules",
                metavar="SET",
                default="western-electric",
                help="run rules: western-electric, nelson or beyond-limits",
            ),
            option(
                "--kind",
                metavar="KIND",
                default="individuals",
                help="individuals (with moving range), xbar-r (means and ranges of subgroups) or ewma",
            ),
            option(
                "--subgroup",
                metavar="N",
                default=5,
                type=int,
                help="xbar-r: readings in a row of a subgroup",
            ),
            option(
                "--weight",
                metavar="SHARE",
                default=0.2,
                type=NUMBER,
                help="ewma: weight of the newest reading",
            ),
            STEP,
            FOLDER,
        ],
    ),
    command(
        "stability",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.charts.stability",
        help="""Readings of one unit over weeks: does the gauge stay the same?

    Exit code 1 if more than chance speaks against it.
    """,
        examples=(
            "slotproof lot stability results/golden --quantity temperature \\\n    --subgroup 5",
        ),
        params=[
            FILES,
            QUANTITY,
            option(
                "--subgroup",
                metavar="N",
                default=5,
                type=int,
                help="readings of a session; 1: single values",
            ),
            option(
                "--baseline",
                metavar="N",
                default=25,
                type=click.IntRange(min=2),
                help="control limits come from the first N",
            ),
            STEP,
            FOLDER,
        ],
    ),
]
