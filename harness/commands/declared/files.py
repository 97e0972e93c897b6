"""What looks at files, kinds and adapters, and the simulated bench."""

from __future__ import annotations

import click

from harness.commands.declared.kit import (
    JSON,
    NUMBER,
    PATH,
    QUIET,
    RECALL_NAMED,
    argument,
    command,
    offered,
    option,
)

COMMANDS = [
    command(
        "check",
        styles=(JSON, QUIET),
        work="harness.commands.check.check",
        help="""Check plan and fixture files without any hardware.

    With one fixture among the files, plans are also checked against it. What a plan
    does that can hurt is listed with its cautions, of a soak what it can prove, and
    what the fixture's adapter cannot make or measure of what the plan asks for.
    """,
        examples=("slotproof check test_plans/*.yaml fixtures/demo_bench.yaml",),
        params=[
            argument(
                "files",
                metavar="FILE",
                nargs=-1,
                required=True,
                type=PATH,
                help="plan, fixture and kind files",
            ),
        ],
    ),
    command(
        "schema",
        work="harness.commands.schemas.schema",
        help="Print the JSON Schema of a kind of file, or of what --json prints.",
        examples=("slotproof schema plan > plan.schema.json",),
        params=[
            argument(
                "kind",
                metavar="KIND",
                help="plan, fixture, kind, or output-run and so on (`slotproof explain output`)",
                shell_complete=offered("harness.commands.schemas.schema_names"),
            ),
        ],
    ),
    command(
        "families",
        styles=(JSON,),
        work="harness.commands.kinds.families",
        help="List the kinds of device: what to read, set and check, what is destructive.",
        examples=("slotproof families 2D",),
        params=[
            argument(
                "code",
                metavar="CODE",
                required=False,
                help="family code in hex, for all about one kind",
                shell_complete=offered("harness.commands.kinds.family_codes"),
            ),
            option(
                "--class", "class_", metavar="CLASS", help="only kinds of this class"
            ),
            option("--markdown", is_flag=True, help="print them as a Markdown table"),
            option(
                "--kind",
                metavar="FILE",
                multiple=True,
                type=PATH,
                help="file that describes a kind (*.kind.yaml); may be repeated",
            ),
            option(
                "--plug-in",
                metavar="NAME",
                multiple=True,
                help="plug-in of an installed package; may be repeated",
            ),
        ],
    ),
    command(
        "explain",
        work="harness.commands.explain.explain",
        help="""Explain a topic: plans, fixtures, results, soaks, hazards.

        Without a topic, list them.
        """,
        examples=("slotproof explain", "slotproof explain plan"),
        params=[
            argument(
                "topic",
                metavar="TOPIC",
                required=False,
                help="name of the topic",
                shell_complete=offered("harness.commands.explain.topics"),
            )
        ],
    ),
    command(
        "examples",
        work="harness.commands.examples.examples",
        help="Lay out the plans and fixtures that come with slotproof, to begin with.",
        examples=("slotproof examples --into bench",),
        params=[
            option(
                "--into",
                metavar="FOLDER",
                required=True,
                type=PATH,
                help="folder for test_plans and fixtures; made if it is not there",
            ),
        ],
    ),
    command(
        "ports",
        styles=(JSON,),
        work="harness.commands.adapters.ports.ports",
        help="List adapters with a stable name to put into a fixture.",
        examples=("slotproof ports",),
        params=[],
    ),
    command(
        "adapter",
        styles=(JSON,),
        work="harness.commands.adapters.adapter.adapter",
        help="""Examine an adapter: echo, rates, clock, latency, and its lines for a fixture.

    Join TX to RX, or use an idle bus without devices: after one reset that nobody
    answers every value and many rates are sent. If a device answers, only read slots
    are. Takes about a minute.
    """,
        examples=("slotproof adapter --port /dev/ttyUSB0",),
        params=[
            option(
                "--port",
                metavar="PORT",
                required=True,
                help="device or URL, as `slotproof ports` lists it",
            ),
        ],
    ),
    command(
        "instruments",
        styles=(JSON,),
        work="harness.commands.adapters.instruments.instruments",
        help="""Show the instruments of a fixture: identities, settings, error queues.

    Nothing is set. With --rest each is brought to the state that the fixture leaves it
    in, which a run needs that finds the mark of one that was killed.
    """,
        examples=("slotproof instruments --fixture bench.yaml",),
        params=[
            option(
                "--fixture",
                "-f",
                metavar="FILE",
                required=True,
                type=PATH,
                help="fixture file (YAML) with instruments",
            ),
            option(
                "--rest",
                is_flag=True,
                help="bring every instrument to rest, and clear its mark",
            ),
        ],
    ),
    command(
        "enrol",
        styles=(JSON,),
        work="harness.commands.adapters.enrol.enrol",
        help="""Make a fixture of a live bus: find its devices, tie each to its socket.

    A file that is there keeps its comments and its order; ROM codes are put into sockets
    that have none, further ones are added. On a simulated bench (sim://) invented hands
    do what you are asked for.
    """,
        examples=("slotproof enrol --port /dev/ttyUSB0 --into bench.yaml --how plug",),
        params=[
            option(
                "--port",
                metavar="PORT",
                required=True,
                help="device or URL, as `slotproof ports` lists it",
            ),
            option(
                "--into",
                metavar="FILE",
                required=True,
                type=PATH,
                help="the fixture, new or there already",
            ),
            option(
                "--how",
                type=click.Choice(["order", "plug", "warm"]),
                default="order",
                help="order: all are in, sockets are numbered as they are found; plug: "
                "you put them in one by one; warm: all are in, you warm one by one",
            ),
            option(
                "--pull-up",
                "pull_up_ohm",
                metavar="OHM",
                type=NUMBER,
                default=2200,
                help="pull-up resistor that is fitted, for a new file",
            ),
            option(
                "--supply",
                "supply_v",
                metavar="VOLT",
                type=NUMBER,
                default=5,
                help="supply of the pull-up, for a new file",
            ),
            option(
                "--replace",
                is_flag=True,
                help="change a file that is there without asking",
            ),
            RECALL_NAMED,
        ],
    ),
    command(
        "bench",
        work="harness.commands.adapters.benches.bench",
        help="""Serve a simulated bench in real time, until Ctrl-C.

    Behind a tty its keyboard is the hands at the bench: in S1, out S1 and warm S1 do
    that to the device of socket S1; where the fixture has units to feed, Enter alone puts
    the next one in and takes it out again.
    """,
        examples=("slotproof bench fixtures/demo_bench.yaml --tty",),
        params=[
            argument(
                "fixture",
                metavar="FIXTURE",
                type=PATH,
                help="fixture with a simulation section",
            ),
            option("--tty", is_flag=True, help="serve the bench behind a real tty"),
            option(
                "--rfc2217",
                metavar="PORT",
                type=click.IntRange(min=0, max=65535),
                help="serve the bench by RFC 2217 on this loopback port (0 picks one)",
            ),
        ],
    ),
]
