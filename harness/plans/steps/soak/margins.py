"""Timing margins measured while a soak goes on, as often as the plan asks.

The line's rise, and of each device the instant at which it samples and how long it
holds a zero: what creeps first when a contact corrodes or a supply sags.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from harness.errors import AdapterUnplugged, SlotproofError, UsageError
from harness.plans.steps.context import Context
from harness.records import DeviceRef
from harness.results.soak.events import SoakMargin
from harness.timing.edges import NotMeasurable
from harness.timing.survey import Name, Timing
from harness.wire.romcode import RomCode

OF_LINE = (Name.RISE_TIME,)
OF_DEVICE = (Name.SAMPLE_INSTANT, Name.READ_0_HOLD)
"""What is measured of the line, and of each device."""


def measure_margins(
    context: Context,
    devices: Iterable[DeviceRef],
    on_fault: Callable[[DeviceRef | None, SlotproofError], None],
    on_lacking: Callable[[DeviceRef | None, Name, NotMeasurable], None],
) -> Iterator[SoakMargin]:
    """Each value that could be measured.

    Args:
        context: of the run.
        devices: of which devices.
        on_fault: called with what could not be measured, and why.
        on_lacking: called with what this adapter cannot measure at all, and why.

    Raises:
        AdapterUnplugged: the adapter went away.
        UsageError: the plan asks for what cannot be.
    """
    context.measure_anew()
    for device in (None, *devices):
        for name in OF_DEVICE if device else OF_LINE:
            try:
                found = _measured(context, name, device)
                if isinstance(found, NotMeasurable):
                    on_lacking(device, name, found)
                else:
                    yield _margin(device, found)
            except (AdapterUnplugged, UsageError):
                raise
            except SlotproofError as fault:
                on_fault(device, fault)


def _measured(
    context: Context, name: Name, device: DeviceRef | None
) -> Timing | NotMeasurable:
    if device is None:
        return context.survey.of_line(name)
    return context.survey.of_device(name, RomCode.parse(device.rom_code))


def _margin(device: DeviceRef | None, timing: Timing) -> SoakMargin:
    rom_code = device.rom_code if device else None
    return SoakMargin.of(rom_code, timing.as_measurement())
