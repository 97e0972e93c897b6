"""What runs on a bench, and what is read from a journal or a recording."""

from __future__ import annotations

import click

from harness.commands.declared.kit import (
    FIXTURE,
    INTO,
    JSON,
    PATH,
    QUIET,
    RECALL,
    SET,
    TABLE,
    argument,
    command,
    offered,
    option,
)

COMMANDS = [
    command(
        "run",
        styles=(JSON, QUIET, TABLE),
        work="harness.commands.run.run",
        help="Run a test plan on a fixture; leaves junit.xml and journal.jsonl.",
        examples=(
            "slotproof run test_plans/incoming_thermometers.yaml \\\n    --fixture fixtures/demo_bench.yaml --set high_degc=7",
        ),
        params=[
            argument("plan", metavar="PLAN", type=PATH, help="test plan (YAML)"),
            FIXTURE,
            SET,
            option(
                "--unit",
                metavar="NAME=VALUE",
                multiple=True,
                help="value of the unit for $unit.NAME in the plan, such as serial=CS-000103; repeatable",
            ),
            option(
                "--allow",
                metavar="HAZARD",
                multiple=True,
                help="hazard that the plan names and you allow, such as memory-wear; repeatable (`slotproof check PLAN` lists them)",
                shell_complete=offered("harness.families.hazard.hazard_names"),
            ),
            INTO,
            option(
                "--events",
                metavar="FILE",
                type=PATH,
                help="what happens besides while a soak runs, one line time,text each (relays, doors, notes); read as it grows",
            ),
            option(
                "--resume",
                metavar="JOURNAL",
                type=PATH,
                help="journal of a run that was cut: it goes on there, a soak from its last counted round",
            ),
            RECALL,
            option(
                "--case-properties",
                is_flag=True,
                help="also write measured values as properties of each JUnit case (readers that insist on the strict schema refuse that)",
            ),
            option(
                "--line",
                metavar="FILE",
                type=PATH,
                help="write the line of a simulated bench to this file, as a Value Change Dump for any viewer and for `slotproof trace`",
            ),
            option(
                "--echoes",
                is_flag=True,
                help="keep every character sent and heard in the journal, to be held against a recording of the line (`slotproof trace --journal`); --line does so too",
            ),
            option(
                "--line-last",
                metavar="SECONDS",
                type=click.FloatRange(min=1),
                help="of --line, keep at least the last so many seconds and not all",
            ),
        ],
    ),
    command(
        "diagnose",
        styles=(JSON, QUIET, TABLE),
        work="harness.commands.diagnose.diagnose",
        help="""Examine adapter, line and devices; name causes, numbers, what to look at first.

    Nothing is stored in any device. Leaves the reports of any run; report.html has the
    page of the diagnosis and every number behind it.
    """,
        examples=("slotproof diagnose --fixture fixtures/demo_bench.yaml",),
        params=[
            FIXTURE,
            INTO,
        ],
    ),
    command(
        "survey",
        styles=(JSON, QUIET, TABLE),
        work="harness.commands.survey.survey",
        help="""Measure every time limit of line and devices; worst margin first.

    Leaves junit.xml, journal.jsonl and a picture (survey.png, survey.svg).
    """,
        examples=("slotproof survey --fixture fixtures/demo_bench.yaml",),
        params=[
            FIXTURE,
            INTO,
            RECALL,
        ],
    ),
    command(
        "budget",
        styles=(JSON, QUIET),
        work="harness.commands.budget.budget",
        help="""Compute what the line of a fixture can bear, without touching a port.

    Rise time, slot margins, levels, parasite power, strong pull-up, how many devices
    and metres of cable keep the margins, and where a limit is violated what would help:
    slower slots, another pull-up, a split of the bus. Exit code 1 if one is violated.
    """,
        examples=("slotproof budget --fixture fixtures/demo_bench.yaml",),
        params=[
            FIXTURE,
            option(
                "--at-once",
                metavar="N",
                type=click.IntRange(min=1),
                help="parasite-fed devices that convert or copy together; default is all",
            ),
            option(
                "--formulas",
                is_flag=True,
                help="also print each formula and its source",
            ),
        ],
    ),
    command(
        "trace",
        styles=(JSON, QUIET),
        work="harness.commands.trace.trace",
        help="""Decode and judge what an oscilloscope or logic analyser recorded.

    Exit code 0: within limits. 1: something is outside or wrong. 2: the file cannot be
    read. 3: the recording cannot tell.
    """,
        examples=(
            "slotproof trace line.vcd",
            "slotproof trace scope.csv --channel CH2 --fixture fixtures/demo_bench.yaml",
            "slotproof trace line.vcd --journal results/run/journal.jsonl",
        ),
        params=[
            argument(
                "recording",
                metavar="RECORDING",
                type=PATH,
                help="VCD or CSV file of the data line",
            ),
            option(
                "--fixture",
                "-f",
                "fixture",
                metavar="FILE",
                type=PATH,
                help="fixture of the bus: expected devices, thresholds and levels",
            ),
            option(
                "--channel",
                metavar="NAME",
                default="",
                help="channel of the data line; default is the busiest",
            ),
            option(
                "--invert", is_flag=True, help="high and low are the other way round"
            ),
            option(
                "--secret",
                metavar="env:NAME",
                default="",
                help="secret of an authenticator on the line, in an environment variable (env:NAME) or a file (file:PATH), as bytes in hex: MACs are held against it",
            ),
            option(
                "--journal",
                metavar="FILE",
                type=PATH,
                help="journal of the run that the recording shows: its echoes and measured times are held against the line",
            ),
            INTO,
            option(
                "--case-properties",
                is_flag=True,
                help="also write measured values as properties of each JUnit case",
            ),
        ],
    ),
    command(
        "report",
        styles=(JSON, QUIET, TABLE),
        work="harness.commands.reports.report",
        help="""Rebuild the reports of a run, or the page of a shift, from journals alone.

    An interrupted run is marked as an error at the step in which it ended. The
    exit code is the run's own, or for a shift 0; 2 if a journal is damaged.
    """,
        examples=(
            "slotproof report results/20260301-081500-incoming/journal.jsonl",
            "slotproof report results/20260301-060000-shift",
        ),
        params=[
            argument(
                "journal",
                metavar="JOURNAL|FOLDER",
                type=PATH,
                help="journal.jsonl of a run, its results folder, or the folder of a shift",
            ),
            option(
                "--into",
                metavar="FOLDER",
                type=PATH,
                help="folder for the reports; default is the journal's own",
            ),
            option(
                "--case-properties",
                is_flag=True,
                help="also write values as properties of each case",
            ),
        ],
    ),
    command(
        "watch",
        work="harness.commands.watch.watch",
        help="Serve a live page of a run from its journal, until Ctrl-C.",
        examples=(
            "slotproof watch results/20260301-200000-overnight_soak/journal.jsonl",
        ),
        params=[
            argument(
                "journal",
                metavar="JOURNAL",
                type=PATH,
                help="journal.jsonl of a run going on",
            ),
            option(
                "--host",
                metavar="ADDRESS",
                default="127.0.0.1",
                help="address to listen on; anything but the loopback shows the page to others",
            ),
            option(
                "--port",
                metavar="PORT",
                default=0,
                type=click.IntRange(min=0, max=65535),
                help="0 picks a free one",
            ),
        ],
    ),
]
