"""The instruments of a run: begun before the adapter is proved, at rest at its end."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from harness.clock import Clock
from harness.driver.bus import Bus
from harness.errors import InstrumentFault
from harness.instruments.bench import InstrumentBench, Rested, StandingBench
from harness.instruments.link import Connect, Link, connect
from harness.instruments.row import InstrumentRow
from harness.plans.execution.connection import connect as connect_adapter
from harness.plans.schema.bodies import Read, StepBody
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.measure import Shmoo
from harness.plans.schema.plan import Plan
from harness.plans.schema.varied.instruments import Adjust, InstrumentSettings, Meter
from harness.plans.schema.varied.vary import VariedCondition
from harness.plans.steps.context import Context
from harness.plans.steps.instruments.setting import apply
from harness.records import CheckResult, Outcome
from harness.results.record.run import MAY_BE_ON

REST_STEP: dict[str, Any] = {
    "step": "rest",
    "kind": "rest",
    "title": "instruments at rest",
    "expected_s": 0.0,
}
"""The step that is added where instruments were used."""

SIMULATED = "simulated"
"""Library of the instruments that a simulated bench has."""


def instruments_of(fixture: Fixture, bus: Bus) -> InstrumentBench:
    """The instruments of a fixture, none of them opened."""
    return instruments_on(fixture, bus.clock, bus.adapter.port)


def standing_instruments_of(fixture: Fixture, bus: Bus) -> StandingBench:
    """The same for a station, between whose runs some of them stay on."""
    rows, open_link = _rows_and_link(fixture, bus.adapter.port)
    return StandingBench(rows, bus.clock, open_link)


def instruments_on(
    fixture: Fixture,
    clock: Clock,
    port: Any,  # noqa: ANN401 - None, or a port of any kind
) -> InstrumentBench:
    """The same for whoever has a clock, and a simulated port or none."""
    rows, open_link = _rows_and_link(fixture, port)
    return InstrumentBench(rows, clock, open_link)


def row_of(fixture: Fixture, instrument: InstrumentSettings) -> InstrumentRow:
    """An instrument of a fixture; a simulated one belongs to that fixture's bench alone."""
    row = instrument.row
    if row.library != SIMULATED:
        return row
    return replace(row, bench=fixture.source.path or fixture.source.name)


def _rows_and_link(
    fixture: Fixture,
    port: Any,  # noqa: ANN401 - as above
) -> tuple[list[InstrumentRow], Connect]:

    def open_link(row: InstrumentRow) -> Link:
        if row.library == SIMULATED and hasattr(port, "open_instrument"):
            link: Link = port.open_instrument(row.resource)
            return link
        return connect(row)

    return [row_of(fixture, each) for each in fixture.instruments], open_link


@contextmanager
def simulated_instruments(fixture: Fixture) -> Iterator[Any]:
    """The port of a simulated bench, where its own instruments hang; else None."""
    if not any(each.library == SIMULATED for each in fixture.instruments):
        yield None
        return
    with connect_adapter(fixture) as bus:
        yield bus.adapter.port


def require_same_instruments(
    fixture: Fixture, bus: Bus, identities: Mapping[str, str]
) -> None:
    """Insist that the instruments of a run that is taken up answer as they did then.

    Args:
        fixture: the bench.
        bus: the open bus.
        identities: what each answered then, by name.

    Raises:
        InstrumentFault: another one answers, none does, one may be on since the cut, or
            another run uses it.
    """
    bench = instruments_of(fixture, bus)
    try:
        bench.require_at_rest()
        bench.lock(identities)
        for name, identity in identities.items():
            instrument = bench.get(name)
            instrument.identity = identity
            instrument.identify()
    finally:
        bench.close()


def used_by(plan: Plan, fixture: Fixture) -> list[str]:
    """Instruments that a run of this plan needs, in the fixture's order."""
    named = {name for item in plan.leaf_steps() for name in _named_by(item.body)}
    return [i.name for i in fixture.instruments if i.name in named or i.start]


def _named_by(body: StepBody) -> Iterable[str]:
    if isinstance(body, VariedCondition):
        return body.settings
    if isinstance(body, Shmoo):
        return body.axis_settings
    if isinstance(body, Read) and body.against and body.against.instrument:
        return [body.against.instrument]
    return [body.instrument] if isinstance(body, Adjust | Meter) else ()


def begin_instruments(context: Context) -> dict[str, str]:
    """Lock, identify and start what the run needs; identities by name.

    Raises:
        InstrumentFault: one cannot be used.
        UsageError: a setting is refused.
    """
    names = used_by(context.plan, context.fixture)
    if not context.fixture.instruments:
        return {}
    identities = context.instruments.begin(names)
    for instrument in context.instruments.all:
        if instrument.row.name in names and instrument.row.start:
            apply(context, instrument.row.name, instrument.row.start)
    return identities


def result_of_rest(rested: list[Rested]) -> CheckResult:
    """How bringing the instruments to rest went; those that may be on come first."""
    on = [each.sentence for each in rested if each.fault is not None]
    off = [each.sentence for each in rested if each.fault is None]
    if on:
        return CheckResult(
            outcome=Outcome.ERROR,
            kind=MAY_BE_ON,
            message="; ".join([*on, *off]),
            hint="then `slotproof instruments --rest --fixture FILE`, once it answers again",
        )
    if any(each.not_back for each in rested):
        return CheckResult(
            outcome=Outcome.ERROR, kind=InstrumentFault.kind, message="; ".join(off)
        )
    return CheckResult(outcome=Outcome.PASSED, notes=("; ".join(off),))
