"""The steps ``adjust`` and ``meter``, and what a supply must never exceed.

A fault of an instrument is an error of the bench. What would go beyond a limit is
refused before anything is sent.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping
from contextlib import contextmanager

from harness.errors import SlotproofError, UsageError
from harness.instruments.instrument import Instrument
from harness.instruments.levels import in_order
from harness.instruments.row import Level
from harness.instruments.words import OUTPUT, InstrumentKind
from harness.plans.execution.fixture_circuit import slots_of
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.varied.instruments import Adjust, Meter, unit_of_name
from harness.plans.schema.varied.vary import VariedCondition
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.plans.steps.instruments.drawn import drawn
from harness.plans.steps.instruments.in_force import (
    TEMPERATURE,
    VOLTAGE,
    supply_in_force_v,
)
from harness.records import CheckResult, Measurement, Outcome
from harness.wire.ratings import bears_v


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


def require_start_borne(fixture: Fixture) -> None:
    """Insist that adapter and kinds expected bear what each supply starts with.

    Raises:
        UsageError: one does not; nothing was sent.
    """
    for each in fixture.instruments:
        if each.kind == "supply" and VOLTAGE in each.start:
            require_borne(fixture, (), float(each.start[VOLTAGE]))


def settings_that_hold(
    context: Context, instrument: Instrument, settings: Mapping[str, Level]
) -> None:
    """Insist that none of these settings exceeds what fixture and devices bear.

    Raises:
        UsageError: one does; nothing was sent.
    """
    for name, value in settings.items():
        instrument.require_allowed(name, value)
    if instrument.row.kind is InstrumentKind.SUPPLY:
        volts = _volts_of(instrument, settings)
        if volts is not None:
            found = [device.family for device in context.devices or ()]
            require_borne(context.fixture, found, float(volts))


def _volts_of(instrument: Instrument, settings: Mapping[str, Level]) -> float | None:
    """What comes to the output of a supply by these settings, as far as it is not known."""
    if VOLTAGE in settings:
        return float(settings[VOLTAGE])
    if settings.get(OUTPUT) and VOLTAGE not in instrument.in_force:
        return instrument.stands_at(VOLTAGE)
    return None


def apply(context: Context, name: str, settings: Mapping[str, Level]) -> None:
    """Make settings of an instrument, all checked before the first is sent.

    Raises:
        UsageError: one is refused; nothing was sent.
        InstrumentFault: the instrument did not do so.
    """
    instrument = context.instruments.get(name)
    settings_that_hold(context, instrument, settings)
    moves = _moves_supply(instrument, settings)
    if moves:
        context.supply_changes += 1
        context.forget(f"{context.here} changed the supply {name}")
    for setting, value in in_order(settings):
        instrument.set(setting, value)
    if moves and context.step:
        _fit_slots(context)


def swept(
    context: Context, name: str, setting: str, values: Iterable[float]
) -> Generator[float, None, None]:
    """Each value of a setting, in force when it is yielded; the one before at the end.

    Raises:
        UsageError: one is refused, or nothing says what was set before; nothing was sent.
        InstrumentFault: the instrument did not do so.
    """
    instrument = context.instruments.get(name)
    before = instrument.in_force.get(setting)
    if before is None:
        raise UsageError(
            f"{setting} of {name} was not set before, so that it could not be put back",
            hint="set it under start in the fixture, or by adjust before this step",
        )
    _require_output(instrument, {})
    for value in values:
        settings_that_hold(context, instrument, {setting: value})
    try:
        for value in values:
            apply(context, name, {setting: value})
            yield value
    finally:
        apply(context, name, {setting: before})


def _fit_slots(context: Context) -> None:
    """Slots for the supply in force; a line that does not answer keeps its own."""
    volts = supply_in_force_v(context.fixture, context.instruments)
    if volts is None:
        return
    bus = context.bus
    wanted = slots_of(context.fixture_in_force, bus.adapter.grid)
    try:
        fitted = bus.fitted(wanted)
    except SlotproofError:
        return
    if fitted != bus.slots:
        bus.slots = fitted
        context.note("note", text=f"slots for {volts:g} V: {fitted.reason}")


def _set_by_plan(
    context: Context, settings: Mapping[str, Iterable[str]], *, judged: bool
) -> None:
    """Note what a step sets, by instrument, and whether it is judged whatever it is."""
    names = {(of, name) for of, each in settings.items() for name in each}
    context.set_by_plan |= names
    if any(name in (VOLTAGE, TEMPERATURE) for _, name in names):
        context.judges_outside = judged


def _moves_supply(instrument: Instrument, settings: Mapping[str, Level]) -> bool:
    if instrument.row.kind is not InstrumentKind.SUPPLY:
        return False
    return any(
        instrument.in_force.get(name) != value
        for name, value in settings.items()
        if name in (VOLTAGE, OUTPUT)
    )


def run_adjust(context: Context, body: Adjust) -> Iterator[CheckResult]:
    """Settings of an instrument; what its output measures then."""

    def check() -> CheckResult:
        apply(context, body.instrument, body.to)
        judged_too = body.outside_range == "judge"
        _set_by_plan(context, {body.instrument: body.to}, judged=judged_too)
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


def run_condition(context: Context, body: VariedCondition) -> Iterator[CheckResult]:
    """One condition of a vary step; what is not reached keeps the steps after it out."""
    context.condition = body.settings
    context.not_reached = ""

    def check() -> CheckResult:
        for name, settings in body.settings.items():
            instrument = context.instruments.get(name)
            settings_that_hold(context, instrument, settings)
            _require_output(instrument, settings)
        for name, settings in body.settings.items():
            apply(context, name, settings)
        _set_by_plan(context, body.settings, judged=body.outside_range == "judge")
        return judged(
            *(
                Measurement(
                    name=f"{name}_{setting}",
                    value=_shown(context.instruments.get(name), setting, value),
                    unit=unit_of_name(setting),
                    criterion="set and read back",
                )
                for name, settings in body.settings.items()
                for setting, value in settings.items()
            )
        )

    result = attempt(context, body, check)
    if result.outcome is not Outcome.PASSED:
        context.not_reached = result.message
    yield result


@contextmanager
def condition_marked(context: Context, number: str) -> Iterator[None]:
    """Begin and end of a condition stand in the journal; none is in force after it."""
    context.note("condition_started", step=number)
    try:
        yield
    finally:
        context.condition, context.not_reached = {}, ""
    context.note("condition_done", step=number)


def _require_output(instrument: Instrument, settings: Mapping[str, Level]) -> None:
    """Insist that what a condition sets is really there.

    Raises:
        UsageError: the output is off.
    """
    has_output = OUTPUT in instrument.row.words.settings
    state = settings.get(OUTPUT, instrument.in_force.get(OUTPUT, False))
    if has_output and not state and OUTPUT not in settings:
        raise UsageError(
            f"the output of {instrument.row.name} is off: this condition would not be "
            "there",
            hint=f"switch it on under start in the fixture, or by a step `adjust: "
            f"{{instrument: {instrument.row.name}, to: {{output: true}}}}` before",
        )


def not_reached(context: Context) -> Iterator[CheckResult]:
    """The result of a step whose condition was not reached."""
    yield CheckResult(
        outcome=Outcome.ERROR,
        kind="condition",
        message=f"not run, for its condition was not reached: {context.not_reached}",
        hint="see the step that sets the condition",
    )


def run_meter(context: Context, body: Meter) -> Iterator[CheckResult]:
    """One reading of an instrument against its limits, at rest or while devices convert."""

    def check() -> CheckResult:
        instrument = context.instruments.get(body.instrument)
        if body.during == "conversion":
            return drawn(context, body, instrument)
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

    of_device = context.current if body.during == "conversion" else None
    yield attempt(context, body, check, of_device)
