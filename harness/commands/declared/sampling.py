"""How many to test, and what follows from what was tested."""

from __future__ import annotations

import click

from harness.commands.declared.kit import JSON, NUMBER, QUIET_LONG, command, option
from harness.commands.declared.lots import FOLDER

COMMANDS = [
    command(
        "sample",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.samples.sample",
        help="How many units of a lot to test, and after the test the verdict on the lot.",
        examples=("slotproof lot sample --size 2000 --aql 0.65",),
        params=[
            option(
                "--size", metavar="N", required=True, type=int, help="units in the lot"
            ),
            option(
                "--aql",
                metavar="PERCENT",
                type=NUMBER,
                help="acceptance quality limit, bad units per hundred (above 10: nonconformities per hundred units)",
            ),
            option(
                "--limit",
                metavar="PERCENT",
                type=NUMBER,
                help="instead of --aql: accept on 0 bad units only (c = 0), for this limiting quality",
            ),
            option(
                "--accept-zero",
                is_flag=True,
                help="with --aql: the plan with c = 0 that has the same 10 % point",
            ),
            option(
                "--confidence",
                metavar="SHARE",
                default=0.9,
                type=NUMBER,
                help="chance to reject a lot of the limiting quality",
            ),
            option(
                "--level",
                metavar="LEVEL",
                default="II",
                help="inspection level I, II or III, S-1 to S-4",
            ),
            option(
                "--standard",
                metavar="NAME",
                default="iso-2859-1",
                help="iso-2859-1 or mil-std-105e; they differ in reduced inspection",
            ),
            option(
                "--severity",
                metavar="KIND",
                default="normal",
                help="normal, tightened or reduced",
            ),
            option(
                "--tested",
                metavar="N",
                type=int,
                help="afterwards: units tested, for the verdict",
            ),
            option(
                "--bad", metavar="N", type=int, help="afterwards: bad units among them"
            ),
            FOLDER,
        ],
    ),
    command(
        "need",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.samples.need",
        help="How many units of each lot a comparison needs, before any is measured.",
        examples=("slotproof lot need --margin 0.1 --standard-deviation 0.12",),
        params=[
            option(
                "--margin",
                metavar="NUMBER",
                required=True,
                type=NUMBER,
                help="difference of means that does not matter",
            ),
            option(
                "--standard-deviation",
                metavar="NUMBER",
                required=True,
                type=NUMBER,
                help="standard deviation of a lot, from earlier ones",
            ),
            option(
                "--power",
                metavar="SHARE",
                default=0.9,
                type=NUMBER,
                help="chance that equal lots are called equal",
            ),
            FOLDER,
        ],
    ),
    command(
        "claim",
        styles=(JSON, QUIET_LONG),
        work="harness.commands.lots.samples.claim",
        help="Trials that demonstrate an error rate, or the rate that a run demonstrated.",
        examples=(
            "slotproof lot claim --rate 1e-6 --allow 1",
            "slotproof lot claim --trials 28800 --errors 0",
        ),
        params=[
            option(
                "--rate",
                metavar="RATE",
                type=NUMBER,
                help="errors a trial to be demonstrated, such as 1e-6",
            ),
            option(
                "--allow",
                metavar="N",
                default=0,
                type=click.IntRange(min=0),
                help="errors that may come meanwhile",
            ),
            option(
                "--trials",
                metavar="N",
                type=int,
                help="trials that were made (bits, readings, units)",
            ),
            option(
                "--errors",
                metavar="N",
                default=0,
                type=click.IntRange(min=0),
                help="errors among them",
            ),
            option(
                "--confidence",
                metavar="SHARE",
                default=0.95,
                type=NUMBER,
                help="confidence of the claim",
            ),
            FOLDER,
        ],
    ),
]
