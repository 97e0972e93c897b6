"""`slotproof station`: the operator's loop of a production line."""

from __future__ import annotations

import platform
from pathlib import Path

from harness import ending
from harness.commands.base import make_console, print_lines
from harness.commands.declared.style import OutputStyle
from harness.commands.shift_end import show_shift
from harness.plans.execution.hazard_gate import parse_allowed
from harness.plans.execution.request import fresh_folder
from harness.plans.execution.simulated import is_simulated
from harness.plans.loading.files import load_fixture, load_plan
from harness.plans.loading.parameters import assignments
from harness.plans.records.values import read_units
from harness.results.summary.lines import ScreenLine
from harness.station.keyboard import listen, silent_keys
from harness.station.setup import Orders, Ready, position_names, ready
from harness.station.shift.shift import ShiftEnd, remark_lines

EXIT_COULD_NOT_TELL = 3


DEFAULT_LEDGER = "results/ledger.sqlite"
REHEARSAL_LEDGER = "ledger.sqlite"
"""In the folder of its shift: units that do not exist own no ROM code anywhere else."""


def station(
    *,
    fixture: tuple[Path, ...],
    plan: Path,
    serials: str,
    lot: str,
    name: str,
    ledger: str | None,
    set_: tuple[str, ...],
    units: Path | None,
    allow: tuple[str, ...],
    real_time: bool,
    into: Path | None,
    style: OutputStyle,
) -> int:
    """Test units as they are put in, side by side, until `end` or Ctrl-C."""
    fixtures = tuple(load_fixture(path) for path in fixture)
    rehearsal = all(map(is_simulated, fixtures))
    folder = into or fresh_folder("shift")
    loaded = load_plan(plan, assignments(set_), fixtures=fixtures)
    orders = Orders(
        plan=loaded,
        units=read_units(units, loaded) if units is not None else None,
        fixtures=fixtures,
        folder=folder,
        ledger=ledger
        or (str(folder / REHEARSAL_LEDGER) if rehearsal else DEFAULT_LEDGER),
        serials=serials,
        station=name or platform.node() or "station",
        lot=lot,
        allowed=parse_allowed(allow),
        real_time=real_time,
    )
    print_lines([ScreenLine(_begins(orders))], error=True)
    # with JSON or -q the board's lines are no part of the answer
    console = make_console(error=style.json or style.quiet)
    with ready(orders, console) as made:
        end = _run(made)
    code = _exit_code(end)
    remarks = tuple(remark_lines(end))
    show_shift(
        end.counts, remarks, folder, style,
        command="station", code=code, left_on=end.left_on,
        simulated=any(map(is_simulated, orders.fixtures)),
    )  # fmt: skip
    return code


def _begins(orders: Orders) -> str:
    """What the station waits for, before it shows its positions."""
    where = ", ".join(position_names(orders.fixtures))
    if all(f.adapter.port.startswith("sim://") for f in orders.fixtures):
        return f"SIMULATED rehearsal at {where}: an invented operator puts the units in"
    numbers = {
        "scan": "scan or type the serial number when a position asks",
        "none": "no serial numbers",
    }.get(orders.serials, f"serial numbers come from {orders.serials}")
    mark = "SIMULATED, " if any(map(is_simulated, orders.fixtures)) else ""
    return f"{mark}positions {where}: put a unit in; {numbers}; `end` or Ctrl-C ends the shift"


def _run(made: Ready) -> ShiftEnd:
    with (
        ending.interruptible(),
        silent_keys(made.board) as silent,
        made.board,
    ):
        if made.scanner is not None:
            listen(made.scanner, made.shift, made.board, silent=silent)
        return made.shift.run()


def _exit_code(end: ShiftEnd) -> int:
    if end.interrupted and not end.left_on:
        return ending.exit_code_of(end.ended_by)
    return 0 if end.is_whole else EXIT_COULD_NOT_TELL
