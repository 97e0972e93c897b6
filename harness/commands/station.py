"""`slotproof station`: the operator's loop of a production line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness import ending
from harness.commands.base import IntoOption, app, example, make_console
from harness.output import say

if TYPE_CHECKING:
    from harness.station.setup import Ready

EXIT_COULD_NOT_TELL = 3

LedgerOption = Annotated[
    str,
    typer.Option(
        "--ledger",
        metavar="FILE|URL",
        envvar="SLOTPROOF_LEDGER",
        help="ledger of all units: a file, or postgresql://user@host/name",
    ),
]

DEFAULT_LEDGER = "results/ledger.sqlite"


@app.command(
    epilog=example(
        "slotproof station --plan test_plans/unit_thermometer.yaml \\",
        "    --fixture fixtures/station_left.yaml \\",
        "    --fixture fixtures/station_right.yaml",
    )
)
def station(
    fixture: Annotated[
        list[Path],
        typer.Option(
            "--fixture",
            "-f",
            metavar="FILE",
            help="fixture of a place; repeatable, each with its own adapter",
        ),
    ],
    plan: Annotated[
        Path, typer.Option("--plan", metavar="FILE", help="test plan (YAML)")
    ],
    *,
    serials: Annotated[
        str,
        typer.Option(
            metavar="scan|none|FILE",
            help="serial numbers: scanned or typed, none, or a file with one a line",
        ),
    ] = "scan",
    lot: Annotated[
        str, typer.Option(metavar="NAME", help="name of the lot in hand")
    ] = "",
    name: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="name of this station; default is the host's"
        ),
    ] = "",
    ledger: LedgerOption = DEFAULT_LEDGER,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="NAME=VALUE", help="parameter of the plan; repeatable"
        ),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HAZARD",
            help="hazard that the plan names and you allow; repeatable",
        ),
    ] = None,
    into: IntoOption = None,
) -> None:
    """Test units as they are put in, side by side, until `end` or Ctrl-C.

    A shift that was cut goes on if its folder is given again with --into.
    """
    import platform  # noqa: PLC0415

    from harness.plans.execution.hazard_gate import parse_allowed  # noqa: PLC0415
    from harness.plans.execution.request import fresh_folder  # noqa: PLC0415
    from harness.plans.loading.files import load_fixture, load_plan  # noqa: PLC0415
    from harness.plans.loading.parameters import assignments  # noqa: PLC0415
    from harness.station.setup import Orders, ready  # noqa: PLC0415

    orders = Orders(
        plan=load_plan(plan, assignments(set_ or [])),
        fixtures=tuple(load_fixture(path) for path in fixture),
        folder=into or fresh_folder("shift"),
        ledger=ledger,
        serials=serials,
        station=name or platform.node() or "station",
        lot=lot,
        allowed=parse_allowed(allow or []),
    )
    with ready(orders, make_console()) as made:
        code = _run(made)
    say(f"shift: {orders.folder}")
    raise typer.Exit(code)


def _run(made: Ready) -> int:
    from harness.station.keyboard import listen  # noqa: PLC0415
    from harness.station.shift.shift import end_lines  # noqa: PLC0415

    with ending.interruptible(), made.board:
        if made.scanner is not None:
            listen(made.scanner, made.shift, made.board)
        end = made.shift.run()
    for line in end_lines(end):
        say(line)
    if end.interrupted:
        return ending.exit_code_of(end.ended_by)
    return 0 if end.is_whole else EXIT_COULD_NOT_TELL
