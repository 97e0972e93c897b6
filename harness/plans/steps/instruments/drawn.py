"""One reading of an instrument while devices convert: what they draw meanwhile."""

from __future__ import annotations

from collections.abc import Callable

from harness.driver.bus import Bus
from harness.driver.session import Selection
from harness.errors import InstrumentFault
from harness.instruments.instrument import Instrument
from harness.plans.schema.varied.instruments import Meter, unit_of_name
from harness.plans.steps.attempts import judged
from harness.plans.steps.context import Context
from harness.plans.steps.dependencies.converting import (
    anybody_on_parasite,
    can_convert,
)
from harness.records import CheckResult, DeviceRef, Measurement, Outcome
from harness.wire.romcode import RomCode

_SURE_S = 0.375
"""Half of the longest published conversion (750 ms at 12 bit, data sheet family 28h): a
device that is fed from the line cannot be asked whether it still converts."""


class Metered(Selection):
    """Traffic that does something once, as soon as a conversion has begun.

    Args:
        bus: the open bus.
        rom: the device; None for all.
        begun: what to do then.
    """

    def __init__(
        self, bus: Bus, rom: RomCode | None, begun: Callable[[], None]
    ) -> None:
        super().__init__(bus, rom)
        self._begun: Callable[[], None] | None = begun

    def transact_bits(self, write: bytes, slots: int) -> list[int]:
        """As it is; a 0 in the slot after the command says that they convert."""
        bits = super().transact_bits(write, slots)
        if bits == [0]:
            self.meanwhile()
        return bits

    def meanwhile(self) -> None:
        """The reading, once."""
        begun, self._begun = self._begun, None
        if begun is not None:
            begun()


def drawn(context: Context, body: Meter, instrument: Instrument) -> CheckResult:
    """The reading before and while devices convert, and the difference for each.

    Raises:
        InstrumentFault: no sound answer, or the conversion ended before it came.
        DeviceError, LineError, AdapterError: as a conversion raises them.
    """
    devices = [d for d in context.targets() if can_convert(context, d)]
    if not devices:
        return CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message="no device here takes part in a conversion",
        )
    before = instrument.read(body.quantity)
    during = _during(context, body, instrument, devices)
    name, unit = body.quantity, unit_of_name(body.quantity)
    return judged(
        Measurement(name=name, value=during, unit=unit, low=body.low, high=body.high),
        Measurement(name=f"{name}_before", value=before, unit=unit),
        Measurement(
            name=f"{name}_each", value=(during - before) / len(devices), unit=unit
        ),
        Measurement(name="devices_converting", value=len(devices)),
        evidence={"instrument": body.instrument, "identity": instrument.identity},
    )


def _during(
    context: Context, body: Meter, instrument: Instrument, devices: list[DeviceRef]
) -> float:
    parasite = anybody_on_parasite(context, devices)
    rom = RomCode.parse(context.current.rom_code) if context.current else None
    values: list[float] = []

    def read() -> None:
        began_s = context.clock.now_s()
        values.append(instrument.read(body.quantity))
        took_s = context.clock.now_s() - began_s
        over = took_s > _SURE_S if parasite else any(selection.read_bits(1))
        if over:
            raise InstrumentFault(
                f"its answer came {took_s:.3g} s after the conversion had begun, which "
                "may have ended before",
                where=f"{body.instrument} ({instrument.row.resource})",
                hint="let the meter integrate for a shorter time, or convert at a higher "
                "resolution",
            )

    selection = Metered(context.bus, rom, read)
    context.conversions.lose_all(f"{context.here} converted to see what devices draw")
    starts = (context.kinds.family_of(d.family).convert_all for d in devices)
    start = next(each for each in starts if each is not None)
    start(selection, parasite)
    return values[0]
