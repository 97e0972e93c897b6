"""Conversions of thermometers: of all at once, and those that a step lacks.

A step that judges what a conversion leaves makes it up where this run has none, and
notes that. It is an error that names the missing step only where the device's supply
does not bear a conversion.

Source: a parasite-fed thermometer draws up to 1.5 mA and needs 3.0 V meanwhile (data
sheet family 28h, as ``wire.circuit`` has it).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from harness.driver.session import AllDevices
from harness.errors import DeviceError, StepMissing
from harness.families.harmless import only_asks, stores
from harness.families.session import Session
from harness.plans.schema.bodies import Convert
from harness.plans.steps.context import Context
from harness.records import DeviceRef
from harness.wire.circuit import load_of

_THERMOMETERS = b"\x44"
"""Convert command of built-in kinds (data sheet of family 28h, p. 11)."""


class Together(NamedTuple):
    """One conversion of several devices: time that it took, and how they were fed."""

    took_ms: float
    parasite: bool


def can_convert(context: Context, device: DeviceRef) -> bool:
    """True if the device takes part in a conversion of all on this bus."""
    family = context.kinds.family_of(device.family)
    return family.convert_all is not None and not who_minds(context, device)


def who_minds(context: Context, device: DeviceRef) -> str:
    """Who on the bus keeps a device's convert command from being sent to all.

    A kind in a file may mean anything by its command, so each other device must make
    the same conversion of it, or keep nothing of it. That of thermometers is kept back
    only by a kind that is known to store something by it and does not just measure and
    count. Empty if nobody minds.
    """
    kinds = context.kinds
    family = kinds.family_of(device.family)
    own = family.convert_command
    code = _THERMOMETERS if own is None else own.code
    minds = dict.fromkeys(
        f"{other.family:02X}h"
        for other in (*context.known_devices(), *context.references_found())
        if kinds.family_of(other.family).convert_all != family.convert_all
        and (
            stores(kinds, other.family, code)
            and not kinds.family_of(other.family).counts_conversions
            if own is None
            else not only_asks(kinds, other.family, code, 0)
        )
    )
    if not minds:
        return ""
    return (
        f"{code.hex(' ').upper()} was not sent to all, for it is not known that "
        f"{', '.join(minds)} keeps nothing of it"
    )


def convert_alone(context: Context, device: DeviceRef) -> float:
    """The conversion of all, made of one device by itself; its time in ms.

    Raises:
        DeviceError, LineError: as the family says.
    """
    session, clock = context.session(device), context.clock
    began_s = clock.now_s()
    with context.conversions.watched(session, step=context.step, title=context.here):
        _measure(context, device, session)
    return 1000 * (clock.now_s() - began_s)


def convert_together(
    context: Context, devices: list[DeviceRef], *, power: str = "auto"
) -> Together:
    """One conversion of all thermometers, waited for; it counts for ``devices``.

    Others on the bus hear the command too: what they held is gone.

    Args:
        context: of the run.
        devices: thermometers whose conversion is waited for.
        power: ``external``, ``parasite``, or ``auto`` to ask the devices.

    Raises:
        DeviceAbsent, StillBusy: as the family says; and what the bus raises.
    """
    parasite = power == "parasite" or (
        power == "auto" and anybody_on_parasite(context, devices)
    )
    held = context.conversions
    here = context.here
    held.lose_all(f"the conversion of {here} did not come to its end")
    # families that share a conversion share the function, and are asked once
    starts = dict.fromkeys(
        context.kinds.family_of(device.family).convert_all for device in devices
    )
    took_ms = 0.0
    for start in starts:
        if start is not None:
            took_ms += float(start(AllDevices(context.bus), parasite).value)
    held.lose_all(f"{here} did not wait for this device")
    codes = [device.rom_code for device in devices if can_convert(context, device)]
    held.hold(codes, step=context.step, together=True)
    return Together(took_ms, parasite)


def anybody_on_parasite(context: Context, devices: list[DeviceRef]) -> bool:
    """True if a device says that it is fed from the data line.

    Each is asked singly and once a run: a broadcast answer is the AND of all, and
    does not say who it is.
    """
    for device in devices:
        quantity = context.kinds.quantities(device.family).get("power_supply")
        session = context.session(device)
        if quantity is None:
            continue
        if "parasite" not in session.memory:
            try:
                quantity.read(session)
            except DeviceError:
                continue  # its own step will say so
        if session.memory.get("parasite"):
            return True
    return False


# -- what a step lacks -------------------------------------------------------------


def why_none(context: Context, device: DeviceRef) -> str:
    """Why a device has no conversion: the missing step, or what took it away."""
    before = [
        item
        for item in context.steps_before()
        if isinstance(item.body, Convert)
        and (item.body.family is None or device.family in item.body.family)
    ]
    if not before:
        lost = context.conversions.why_none(device.rom_code)
        return lost or "the plan has no convert step before this one"
    missing = before[-1]
    if missing.id not in context.ran:
        return f"{context.called(missing.id)} was not run{context.left_out(missing.id)}"
    lost = context.conversions.why_none(device.rom_code)
    return lost or f"{context.called(missing.id)} did not convert this device"


def require_supply_to_convert(context: Context, device: DeviceRef, why: str) -> None:
    """Insist that a device may be put to a conversion that no step asks for.

    Raises:
        StepMissing: it is fed from the data line, and that does not bear it.
    """
    strong = context.bus.adapter.switching.strong_pull_up_on is not None
    if strong or not anybody_on_parasite(context, [device]):
        return
    line = context.fixture_in_force.line
    load = load_of(device.family, supply_v=line.supply_v)
    left_v = line.supply_v - load.busy_ma / 1e3 * line.pull_up_ohm
    if left_v < load.hold_v:
        raise StepMissing(
            f"{device.label} has no conversion of this run: {why}; none was made for it, "
            f"since it is fed from the data line, where {line.pull_up_ohm:g} ohm leave "
            f"{max(0.0, left_v):.1f} V at {load.busy_ma:g} mA and {load.hold_v:g} V are "
            "needed",
            hint="run it together with that step, on a fixture with a strong pull-up, or "
            "feed the supply pin",
        )


def make_up_flags(context: Context, devices: Iterable[DeviceRef]) -> None:
    """A conversion for each thermometer whose alarm flag is not that of its limits.

    One for all where that does no harm: no sealed cell on the bus pays for it, and
    the supply bears it.

    Raises:
        StepMissing: see ``require_supply_to_convert``; and what converting raises.
    """
    kinds = context.kinds
    known = [d for d in devices if kinds.family_of(d.family).convert_all is not None]
    lacking = [device for device in known if _lacks_flag(context, device)]
    if not lacking:
        return
    if _can_convert_together(context, known):
        convert_together(context, known)
        return
    for device in lacking:
        session = context.session(device)
        with context.conversions.watched(
            session, step=context.step, title=context.here
        ):
            _measure(context, device, session)


def _measure(context: Context, device: DeviceRef, session: Session) -> None:
    """One conversion of a device, by its own command or by reading its temperature."""
    command = context.kinds.family_of(device.family).convert_command
    if command is not None:
        command.alone(session)
        return
    context.kinds.quantities(device.family)["temperature"].read(session)


def _lacks_flag(context: Context, device: DeviceRef) -> bool:
    """True if the alarm flag is not that of the limits; noted, and allowed to be made."""
    held = context.conversions
    why = held.why_no_flag(device.rom_code)
    if held.of(device.rom_code) is None:
        why = why_none(context, device)
    if why:
        require_supply_to_convert(context, device, why)
        remark_made(context, f"{device.label}: {why}")
    return bool(why)


def _can_convert_together(context: Context, known: list[DeviceRef]) -> bool:
    """No sealed cell pays for a conversion of all, nobody minds, the supply bears it."""
    counted = any(
        context.kinds.family_of(d.family).counts_conversions
        for d in context.known_devices()
    )
    fed = context.bus.adapter.switching.strong_pull_up_on is not None
    shared = all(can_convert(context, device) for device in known)
    return shared and not counted and (fed or not anybody_on_parasite(context, known))


def remark_made(context: Context, why: str) -> None:
    """Note that a step made the conversion that it lacked."""
    context.remark(
        f"no conversion of this run served it ({why}): one was made for this step"
    )
