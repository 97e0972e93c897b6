"""One reading of an instrument while devices convert: what they draw meanwhile."""

from __future__ import annotations

from collections.abc import Callable

from harness.driver.bus import Bus
from harness.driver.session import Selection
from harness.errors import InstrumentFault, UsageError
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

_MOST_BITS = 12
"""Resolution of that conversion; each bit less halves its time (same data sheet, p. 3)."""


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
        UsageError: fewer devices can convert than asked for, or not so many at once.
        InstrumentFault: no sound answer, or the conversion ended before it came.
        DeviceError, LineError, AdapterError: as a conversion raises them.
    """
    able = [d for d in context.targets() if can_convert(context, d)]
    if not able:
        return CheckResult(
            outcome=Outcome.SKIPPED,
            kind="no-device",
            message="no device here takes part in a conversion",
        )
    devices = able[: body.devices]
    if body.devices is not None and len(devices) < body.devices:
        raise UsageError(
            f"{body.devices} devices are to convert, and {len(able)} can",
            hint="ask for fewer, or leave devices out",
        )
    before = instrument.read(body.quantity)
    context.conversions.lose_all(f"{context.here} converted to see what devices draw")
    if len(devices) == len(able):
        rom = RomCode.parse(context.current.rom_code) if context.current else None
        during = _MeteredConversion(context, body, instrument, devices).together(rom)
    else:
        during = _MeteredConversion(
            context, body, instrument, devices
        ).one_after_another()
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


class _MeteredConversion:
    """One reading while devices convert.

    Args:
        context: of the run.
        body: the step.
        instrument: what is read.
        devices: the ones that convert.
    """

    def __init__(
        self,
        context: Context,
        body: Meter,
        instrument: Instrument,
        devices: list[DeviceRef],
    ) -> None:
        self._context = context
        self._body = body
        self._instrument = instrument
        self._devices = devices
        self._parasite = anybody_on_parasite(context, devices)
        self._values: list[float] = []

    def together(self, rom: RomCode | None) -> float:
        """All by one command, or the one device of a ``for_each``."""
        self._convert(self._devices[0], rom, lambda last: self._read(last, _SURE_S))
        return self._values[0]

    def one_after_another(self) -> float:
        """Each addressed and put to a conversion, and read while all of them convert.

        Raises:
            UsageError: some are fed from the line, which must idle meanwhile.
            InstrumentFault: the first may have ended before the last was read.
        """
        if self._parasite and len(self._devices) > 1:
            raise UsageError(
                "some of these devices are fed from the data line, which must idle from "
                "the first convert command on: no other can be addressed meanwhile",
                hint="devices: 1, or all of them, or feed their supply pins",
            )
        sure_s = min(self._surely_busy_s(device) for device in self._devices)
        began_s = self._context.clock.now_s()
        self._start(0, lambda last: self._read(last, sure_s, began_s))
        self._context.clock.sleep(2 * _SURE_S)  # the first ones are not asked any more
        return self._values[0]

    def _start(self, number: int, read: Callable[[Selection], None]) -> None:
        device = self._devices[number]
        more = number + 1 < len(self._devices)

        def begun(selection: Selection) -> None:
            if more:
                self._start(number + 1, read)
            else:
                read(selection)

        self._convert(device, RomCode.parse(device.rom_code), begun)

    def _convert(
        self,
        device: DeviceRef,
        rom: RomCode | None,
        begun: Callable[[Selection], None],
    ) -> None:
        selection = Metered(self._context.bus, rom, lambda: begun(selection))
        kinds = (d for d in (device, *self._devices) if d.family)
        starts = (self._context.kinds.family_of(d.family).convert_all for d in kinds)
        start = next(each for each in starts if each is not None)
        start(selection, self._parasite)

    def _surely_busy_s(self, device: DeviceRef) -> float:
        """Half of the published time of a conversion at the device's resolution."""
        known = self._context.kinds.quantities(device.family)
        if "resolution" not in known:
            return _SURE_S
        bits = known["resolution"].read(self._context.session(device)).value
        halvings = _MOST_BITS - int(bits)
        return _SURE_S * float(0.5**halvings)

    def _read(
        self, last: Selection, sure_s: float, since_s: float | None = None
    ) -> None:
        clock = self._context.clock
        began_s = clock.now_s() if since_s is None else since_s
        self._values.append(self._instrument.read(self._body.quantity))
        took_s = clock.now_s() - began_s
        over = took_s > sure_s if self._parasite or since_s is not None else False
        if not over and not self._parasite:
            over = any(last.read_bits(1))
        if over:
            raise InstrumentFault(
                f"its answer came {took_s:.3g} s after the conversion had begun, which "
                "may have ended before",
                where=f"{self._body.instrument} ({self._instrument.row.resource})",
                hint="let the meter integrate for a shorter time, convert at a higher "
                "resolution, or fewer devices",
            )
