"""Hazards of what instruments are set to: heat, cold, over-voltage, lithium cells.

Bounds: skin is safe between 0 and 60 degC for a short touch, lithium cells between 0 and
45 degC (common practice for charging, no source); a supply is over-voltage above what
the fixture says that its line was built for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.families.hazard import Hazard
from harness.families.registry import Kinds
from harness.plans.schema.bodies import StepBody
from harness.plans.schema.fixture import Fixture
from harness.plans.schema.measure import Shmoo
from harness.plans.schema.steps import Vary
from harness.plans.schema.varied.instruments import Adjust
from harness.plans.schema.varied.vary import VariedCondition

_SKIN_DEGC = (0.0, 60.0)
_CELL_DEGC = (0.0, 45.0)
_CELLS = "battery"
"""Class of the kinds that sit on a lithium cell."""

InstrumentStep = Adjust | Vary | VariedCondition | Shmoo


def settings_in(body: StepBody) -> Iterator[tuple[str, float]]:
    """Every setting that a step sends, with each of its values."""
    if isinstance(body, Adjust):
        yield from _as_numbers(body.to)
    elif isinstance(body, VariedCondition):
        for settings in body.settings.values():
            yield from _as_numbers(settings)
    elif isinstance(body, Vary | Shmoo):
        over = body.over if isinstance(body, Vary) else body.axis_settings
        for axes in over.values():
            for name, values in axes.items():
                yield from ((name, float(value)) for value in values)


def _as_numbers(settings: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    return ((name, float(value)) for name, value in settings.items())


def hazards_of(
    body: StepBody, fixture: Fixture | None, codes: Iterable[int], kinds: Kinds
) -> Iterator[Hazard]:
    """What the settings of a step can do.

    Args:
        body: of the step.
        fixture: the bench; None leaves out what it alone can tell.
        codes: families that may be on the bus.
        kinds: what is known of them.
    """
    has_cells = any(kinds.family_of(c).device_class == _CELLS for c in codes)
    for name, value in settings_in(body):
        if name == "temperature_degc":
            if not _SKIN_DEGC[0] <= value <= _SKIN_DEGC[1]:
                yield Hazard.HOT_OR_COLD
            if has_cells and not _CELL_DEGC[0] <= value <= _CELL_DEGC[1]:
                yield Hazard.CELL_TEMPERATURE
        elif name == "voltage_v" and fixture and value > fixture.line.supply_v:
            yield Hazard.OVER_VOLTAGE
