"""The steps ``adjust`` and ``meter``, and what a supply must never exceed.

A fault of an instrument is an error of the bench. What would go beyond a limit is
refused before anything is sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.errors import UsageError
from harness.instruments.instrument import Instrument
from harness.instruments.row import Level
from harness.instruments.words import OUTPUT, InstrumentKind
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.instruments import Adjust, Meter, unit_of_name
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.records import CheckResult, Measurement
from harness.wire.absolute_maximum import bears_v

SUPPLY_SETTING = "voltage_v"


def require_borne(fixture: Fixture, found: Iterable[int], voltage_v: float) -> None:
    """Insist that adapter and every kind expected or found bear a voltage.

    Raises:
        UsageError: one does not; nothing was sent.
    """
    adapter_v = fixture.adapter.bears_v
    if adapter_v is not None and voltage_v > adapter_v:
        raise UsageError(
            f"{voltage_v:g} V is refused: the adapter's pins bear {adapter_v:g} V",
            hint="adapter.bears_v in the fixture",
        )
    expected = [socket.expect.family_code for socket in fixture.sockets]
    for family in sorted({code for code in (*expected, *found) if code is not None}):
        most_v = bears_v(family, built_for_v=fixture.line.supply_v)
        if voltage_v > most_v:
            raise UsageError(
                f"{voltage_v:g} V is refused: a device of family {family:02X}h bears "
                f"{most_v:g} V at most",
                hint="absolute maximum of its data sheet; a kind without a row is held "
                "to line.supply_v",
            )


def settings_that_hold(
    context: Context, instrument: Instrument, settings: Mapping[str, Level]
) -> None:
    """Insist that none of these settings exceeds what fixture and devices bear.

    Raises:
        UsageError: one does; nothing was sent.
    """
    for name, value in settings.items():
        instrument.require_allowed(name, value)
        if instrument.row.kind is InstrumentKind.SUPPLY and name == SUPPLY_SETTING:
            found = [device.family for device in context.devices or ()]
            require_borne(context.fixture, found, float(value))


def apply(context: Context, name: str, settings: Mapping[str, Level]) -> None:
    """Make settings of an instrument, all checked before the first is sent.

    Raises:
        UsageError: one is refused; nothing was sent.
        InstrumentFault: the instrument did not do so.
    """
    instrument = context.instruments.get(name)
    settings_that_hold(context, instrument, settings)
    if _moves_supply(instrument, settings):
        context.forget(f"{context.here} changed the supply {name}")
    for setting, value in settings.items():
        instrument.set(setting, value)


def _moves_supply(instrument: Instrument, settings: Mapping[str, Level]) -> bool:
    if instrument.row.kind is not InstrumentKind.SUPPLY:
        return False
    return any(
        instrument.in_force.get(name) != value
        for name, value in settings.items()
        if name in (SUPPLY_SETTING, OUTPUT)
    )


def run_adjust(context: Context, body: Adjust) -> Iterator[CheckResult]:
    """Settings of an instrument; what its output measures then."""

    def check() -> CheckResult:
        apply(context, body.instrument, body.to)
        instrument = context.instruments.get(body.instrument)
        return judged(
            *(
                Measurement(
                    name=f"{body.instrument}_{name}",
                    value=_shown(instrument, name, value),
                    unit=unit_of_name(name),
                    criterion="set, read back and measured"
                    if name in instrument.row.tolerance
                    else "set and read back",
                )
                for name, value in body.to.items()
            ),
            evidence={"identity": instrument.identity, "to": dict(body.to)},
        )

    yield attempt(context, body, check)


def _shown(instrument: Instrument, name: str, value: Level) -> Level:
    """The measured output where it is measured, else what was set."""
    measured = name in instrument.row.tolerance
    if not measured or not instrument.in_force.get(OUTPUT, True):
        return value
    return instrument.measured(name)


def run_meter(context: Context, body: Meter) -> Iterator[CheckResult]:
    """One reading of an instrument against its limits."""

    def check() -> CheckResult:
        instrument = context.instruments.get(body.instrument)
        return judged(
            Measurement(
                name=body.quantity,
                value=instrument.read(body.quantity),
                unit=unit_of_name(body.quantity),
                low=body.low,
                high=body.high,
            ),
            evidence={"instrument": body.instrument, "identity": instrument.identity},
        )

    yield attempt(context, body, check)
