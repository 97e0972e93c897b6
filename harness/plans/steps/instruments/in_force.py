"""What the instruments of a run have in force at the bus: its supply, its temperature."""

from __future__ import annotations

from collections.abc import Collection

from harness.instruments.bench import InstrumentBench
from harness.instruments.instrument import Instrument
from harness.instruments.words import OUTPUT, InstrumentKind
from harness.plans.schema.fixture import LOWEST_SUPPLY_V, Fixture
from harness.plans.schema.varied.instruments import feeding_line

VOLTAGE = "voltage_v"
TEMPERATURE = "temperature_degc"


def supply_in_force_v(fixture: Fixture, instruments: InstrumentBench) -> float | None:
    """What feeds the line by an instrument of this run; None if none does."""
    name = feeding_line(fixture.instruments)
    return _value(instruments.get(name), VOLTAGE) if name else None


def temperature_in_force(
    instruments: InstrumentBench, among: Collection[tuple[str, str]]
) -> float | None:
    """What a chamber holds, in degC, of the settings named; None if none does."""
    for instrument in instruments.all:
        if instrument.row.kind is not InstrumentKind.CHAMBER:
            continue
        if (instrument.row.name, TEMPERATURE) in among:
            return _value(instrument, TEMPERATURE)
    return None


def _value(instrument: Instrument, name: str) -> float | None:
    value = instrument.in_force.get(name)
    if value is None or instrument.in_force.get(OUTPUT, True) is False:
        return None
    return float(value)


def fixture_in_force(fixture: Fixture, instruments: InstrumentBench) -> Fixture:
    """The fixture with the supply that is in force in place of the one it declares.

    Below what a fixture may declare no line can be worked out, and its own stands.
    """
    volts = supply_in_force_v(fixture, instruments)
    if volts is None or volts < LOWEST_SUPPLY_V or volts == fixture.line.supply_v:
        return fixture
    line = fixture.line.model_copy(update={"supply_v": volts})
    return fixture.model_copy(update={"line": line})
