"""From files and options to a shift that can begin."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from harness.errors import UsageError
from harness.families.hazard import Hazard
from harness.plans.execution.request import require_runnable
from harness.plans.execution.simulated import is_simulated
from harness.plans.records.values import UnitList
from harness.plans.schema.files import Fixture, Plan
from harness.plans.steps.instruments.setting import require_start_borne
from harness.results.ledger.ledger import Ledger
from harness.station.ledger_sync import LedgerSync
from harness.station.numbers import UnitNumbers
from harness.station.operators import Hands
from harness.station.refusals import Refusals
from harness.station.serials import NoSerials, Scanner, Serials, SerialsFromFile
from harness.station.shift.board import Board
from harness.station.shift.position import Position, Setup
from harness.station.shift.shift import PATIENCE_S, Shift, held
from harness.station.shift.tally import ShiftTally
from harness.station.simulated_operator import Feeder
from harness.station.unit_plans import UnitPlans
from harness.station.unit_run import ProvedBus


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """What a shift is to be.

    Attributes:
        plan: what to do with each unit.
        fixtures: one a position.
        folder: the shift's folder.
        ledger: a file, or a ``postgresql://`` URL.
        ledger_wait_s: longest wait for it before it counts as away.
        serials: ``scan``, ``none``, or a file.
        station: name of the station.
        lot: name of the lot in hand, may be empty.
        units: values of each unit, or None.
        allowed: hazards that the command line allows.
        real_time: a rehearsal takes the time that it would take with real units.
    """

    plan: Plan
    fixtures: tuple[Fixture, ...]
    folder: Path
    ledger: str
    serials: str
    station: str
    lot: str = ""
    units: UnitList | None = None
    allowed: frozenset[Hazard] = frozenset()
    ledger_wait_s: float = 2.0
    real_time: bool = False


def position_names(fixtures: Sequence[Fixture]) -> tuple[str, ...]:
    """A position is named as its only socket is, or as its fixture file.

    Raises:
        UsageError: two of one name.
    """
    names = tuple(
        fixture.unit_sockets[0].name
        if len(fixture.unit_sockets) == 1
        else Path(fixture.source.name).stem
        for fixture in fixtures
    )
    for name in names:
        if names.count(name) > 1:
            raise UsageError(
                f"two positions are named {name!r}",
                hint="name the only socket of each fixture after its position",
            )
    return names


def require_fit(orders: Orders) -> None:
    """Insist that plan and fixtures go together on a station.

    Raises:
        UsageError: they do not, with line and column of each.
    """
    require_runnable(orders.plan, orders.fixtures, orders.allowed)
    for fixture in orders.fixtures:
        require_start_borne(fixture)
    for step in orders.plan.leaf_steps():
        if step.kind == "prompt":
            raise UsageError(
                "the plan asks the operator, and a station does not",
                where=f"{orders.plan.source.name}:{step.line}",
                hint="take the prompt step out of the plan, or use `slotproof run`",
            )


@dataclass(frozen=True, slots=True)
class _Source:
    """Where numbers come from for a position, and who puts its units in."""

    serials: Serials
    hands_for: Callable[[ProvedBus], Hands] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A shift that can begin.

    Attributes:
        shift: the shift.
        board: its screen.
        scanner: takes lines of the keyboard; None where nobody scans.
    """

    shift: Shift
    board: Board
    scanner: Scanner | None


@contextmanager
def ready(
    orders: Orders, console: Console, *, patience_s: float = PATIENCE_S
) -> Iterator[Ready]:
    """Hold the shift's folder and ledger, and make everything for the shift.

    Args:
        orders: what it is to be.
        console: the operator's screen.
        patience_s: how long its end may wait for positions and ledger.

    Raises:
        UsageError: what is asked for cannot be.
    """
    require_fit(orders)
    names = position_names(orders.fixtures)
    tally = ShiftTally()
    board = Board(
        console, names, tally, simulated=any(map(is_simulated, orders.fixtures))
    )
    sources, scanner = _sources(orders, names)
    with held(orders.folder), _ledger(orders) as ledger:
        ledger_sync = LedgerSync(ledger, board.say)
        setup = Setup(
            plan=orders.plan,
            allowed=orders.allowed,
            folder=orders.folder,
            station=orders.station,
            lot=orders.lot,
            unit_plans=UnitPlans(
                plan=orders.plan,
                lot=orders.lot,
                units=orders.units,
                numbers=_numbers(orders, ledger, ledger_sync),
            ),
            ledger_sync=ledger_sync,
            tally=tally,
            refusals=Refusals(orders.folder),
            show=board.show,
            in_hand={},
        )
        positions = [
            _position(name, fixture, setup, source)
            for name, fixture, source in zip(
                names, orders.fixtures, sources, strict=True
            )
        ]
        shift = Shift(
            folder=orders.folder,
            positions=positions,
            ledger_sync=ledger_sync,
            tally=tally,
            board=board,
            patience_s=patience_s,
            lost=setup.lost,
            left_on=setup.left_on,
        )
        try:
            yield Ready(shift=shift, board=board, scanner=scanner)
        finally:
            setup.unit_plans.close()


def _numbers(
    orders: Orders, ledger: Ledger, ledger_sync: LedgerSync
) -> UnitNumbers | None:
    rules = orders.plan.unit.numbers
    if rules is None or "count" not in orders.plan.mentions:
        return None
    return UnitNumbers(
        rules,
        orders.folder,
        ledger,
        station=orders.station,
        rehearsal=any(map(is_simulated, orders.fixtures)),
        is_away=lambda: ledger_sync.is_away,
        say=ledger_sync.say,
    )


def _ledger(orders: Orders) -> Ledger:
    return Ledger(orders.ledger, wait_s=orders.ledger_wait_s)


def _position(name: str, fixture: Fixture, setup: Setup, source: _Source) -> Position:
    if source.hands_for is None:
        return Position(name=name, fixture=fixture, setup=setup, serials=source.serials)
    return Position(
        name=name,
        fixture=fixture,
        setup=setup,
        serials=source.serials,
        hands_for=source.hands_for,
    )


def _sources(
    orders: Orders, names: tuple[str, ...]
) -> tuple[list[_Source], Scanner | None]:
    scanner: Scanner | None = None
    shared: Serials
    if orders.serials == "scan":
        shared = scanner = Scanner(names)
    elif orders.serials == "none":
        shared = NoSerials()
    else:
        shared = SerialsFromFile.read(Path(orders.serials))
    sources = [_source(orders, fixture, shared) for fixture in orders.fixtures]
    rehearsed = all(source.hands_for is not None for source in sources)
    return sources, None if rehearsed else scanner


def _source(orders: Orders, fixture: Fixture, shared: Serials) -> _Source:
    simulation = fixture.simulation
    if simulation is None or not fixture.adapter.port.startswith("sim://"):
        return _Source(shared)
    if not simulation.insertions:
        raise UsageError(
            "nobody puts units into this simulated position",
            where=fixture.source.name,
            hint="give its simulation section a feed (see fixtures/station_left.yaml) or "
            "a lot (see fixtures/lot_left.yaml)",
        )
    feeder = Feeder(simulation.insertions, fixture.references)
    return _Source(
        feeder if orders.serials == "scan" else shared,
        lambda bus: _stand_at(feeder, bus, real_time=orders.real_time),
    )


def _stand_at(feeder: Feeder, bus: ProvedBus, *, real_time: bool) -> Hands:
    """The invented operator at an open bench, whose time may be made real."""
    port = bus.adapter.port
    if real_time:
        port.bench.follow_wall_clock()
        bus.adapter.clock = port.clock
    return feeder.stand_at(port.bench)
