"""`slotproof station`: the operator's loop of a production line."""

from __future__ import annotations

import platform
from pathlib import Path

from harness import ending
from harness.commands.base import make_console
from harness.output import say
from harness.plans.execution.hazard_gate import parse_allowed
from harness.plans.execution.request import fresh_folder
from harness.plans.execution.simulated import is_simulated
from harness.plans.loading.files import load_fixture, load_plan
from harness.plans.loading.parameters import assignments
from harness.station.keyboard import listen
from harness.station.setup import Orders, Ready, ready
from harness.station.shift.shift import end_lines

EXIT_COULD_NOT_TELL = 3


DEFAULT_LEDGER = "results/ledger.sqlite"
REHEARSAL_LEDGER = "results/rehearsals.sqlite"
"""Units that do not exist must not own ROM codes beside units that do."""


def station(
    *,
    fixture: tuple[Path, ...],
    plan: Path,
    serials: str,
    lot: str,
    name: str,
    ledger: str | None,
    set_: tuple[str, ...],
    allow: tuple[str, ...],
    into: Path | None,
) -> int:
    """Test units as they are put in, side by side, until `end` or Ctrl-C."""
    fixtures = tuple(load_fixture(path) for path in fixture)
    rehearsal = all(map(is_simulated, fixtures))
    orders = Orders(
        plan=load_plan(plan, assignments(set_)),
        fixtures=fixtures,
        folder=into or fresh_folder("shift"),
        ledger=ledger or (REHEARSAL_LEDGER if rehearsal else DEFAULT_LEDGER),
        serials=serials,
        station=name or platform.node() or "station",
        lot=lot,
        allowed=parse_allowed(allow),
    )
    with ready(orders, make_console()) as made:
        code = _run(made)
    say(f"shift: {orders.folder}")
    return code


def _run(made: Ready) -> int:

    with ending.interruptible(), made.board:
        if made.scanner is not None:
            listen(made.scanner, made.shift, made.board)
        end = made.shift.run()
    for line in end_lines(end):
        say(line)
    if end.interrupted:
        return ending.exit_code_of(end.ended_by)
    return 0 if end.is_whole else EXIT_COULD_NOT_TELL
