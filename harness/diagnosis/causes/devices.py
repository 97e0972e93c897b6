"""Causes in single devices: doubled, not what they seem, blocks that cannot be."""

from __future__ import annotations

from collections.abc import Iterator

from harness.diagnosis.evidence.bus import Blocks, DeviceFacts, Evidence
from harness.diagnosis.finding import Cause, Finding, FindingSeverity
from harness.diagnosis.signs.devices import is_late
from harness.families.thermometers.own_constants import behave_as_sheet, places_of

_SURE_FOUND = 0.99
"""A device found so often in directed searches is there (own choice, no source)."""

_CLONE_CONVERSION_MS = 400.0
"""Originals need 590 to 610 ms at 12 bit and room temperature (public investigation)."""


def constants_moved(evidence: Evidence) -> Iterator[Finding]:
    """A block whose CRC is right and whose constants are not the device's own."""
    for device in evidence.devices:
        both = [b for b in (device.blocks, device.blocks_after) if b is not None]
        moved = sum(b.moved for b in both)
        if moved:
            yield Finding(
                cause=Cause.NOISE,
                kind="constants-moved",
                summary=f"{device.name}: blocks whose CRC is right do not hold this device's own "
                "constants: slots were slipped or bits flipped",
                measured=(
                    f"{moved} of {sum(b.reads for b in both)} blocks; own constants "
                    f"{both[0].constants}",
                ),
                try_first="never accept on the CRC alone; look at edges and noise",
                device=device.rom_code,
            )


def off_the_sheet(evidence: Evidence) -> Iterator[Finding]:
    """Constants other than the data sheet's, always the same: readings stay valid."""
    for device in evidence.devices:
        blocks = device.blocks_after or device.blocks
        if blocks is None or not blocks.whole or not blocks.constants:
            continue
        own = bytes.fromhex(blocks.constants)
        if not behave_as_sheet(own, device.family):
            sheet = bytes(places_of(device.family).values()).hex(" ").upper()
            yield Finding(
                cause=Cause.CONFIGURATION,
                kind="off-sheet",
                summary=f"{device.name} holds other constants than the data sheet says, always "
                "the same: clone-like; its readings are valid",
                measured=(
                    f"{blocks.constants} in {blocks.whole} of {blocks.reads} blocks, data "
                    f"sheet {sheet}",
                ),
                try_first="nothing for the readings; check data_sheet_conformance says what "
                "else differs",
                device=device.rom_code,
                severity=FindingSeverity.NOTE,
            )


def doubled(evidence: Evidence) -> Iterator[Finding]:
    """Two parts with one ROM code: the wired AND of two blocks, again and again the same."""
    for device in evidence.devices:
        for blocks in (device.blocks, device.blocks_after):
            if blocks is not None and _same_wrong_block(device, blocks):
                yield Finding(
                    cause=Cause.DEVICE,
                    kind="duplicate",
                    summary=f"{device.name} gives the same wrong block each time: two devices with "
                    "one ROM code answer together",
                    measured=(
                        f"{blocks.check_wrong} of {blocks.reads} blocks with a wrong CRC, "
                        f"{blocks.distinct_wrong} different: {blocks.usual}",
                        f"directed searches answered: {device.verified} of {device.verifies}",
                    ),
                    ruled_out=("noise: it would spoil each block in another way",),
                    try_first="unplug one of the probes and compare",
                    device=device.rom_code,
                )
                break


def _same_wrong_block(device: DeviceFacts, blocks: Blocks) -> bool:
    return (
        blocks.reads >= 3
        and blocks.check_wrong >= 0.8 * blocks.reads
        and blocks.distinct_wrong <= 2
        and device.unanswered <= (1 - _SURE_FOUND) * device.verifies
    )


def all_zero_blocks(evidence: Evidence) -> Iterator[Finding]:
    """Nine zero bytes pass the check and are no block."""
    for device in evidence.devices:
        for blocks in (device.blocks, device.blocks_after):
            if blocks is not None and blocks.zeros:
                yield Finding(
                    cause=Cause.BUS_WIRING,
                    kind="low-while-reading",
                    summary=f"the line is low while {device.name} is read: nine zero bytes, "
                    "whose CRC is right",
                    measured=(f"{blocks.zeros} of {blocks.reads} blocks all zero",),
                    ruled_out=("a true 0.00 degC: a configuration of 00h cannot be",),
                    try_first="look for moisture in the probe, a short, a slow edge",
                    device=device.rom_code,
                )
                break


def impossible_code(evidence: Evidence) -> Iterator[Finding]:
    """A ROM code that cannot be, the same in every scan."""
    scans = evidence.scans
    if scans is None or scans.whole < 2:
        return
    stays = [
        c
        for c, times in scans.rejected.items()
        if times == scans.whole and c != "0" * 16
    ]
    if stays:
        yield Finding(
            cause=Cause.DEVICE,
            kind="rom-code",
            summary="a ROM code with a wrong CRC comes in every scan",
            measured=(f"{', '.join(stays)} in {scans.whole} of {scans.whole} scans",),
            ruled_out=("noise: it would change from scan to scan",),
            try_first="take devices off one by one to find that one, replace it",
        )


def odd_block(evidence: Evidence) -> Iterator[Finding]:
    """Fixed bytes that are not, in every block: not the part that it says."""
    for device in evidence.devices:
        blocks = device.blocks
        if blocks is not None and blocks.impossible >= 0.8 * blocks.reads > 0:
            yield Finding(
                cause=Cause.DEVICE,
                kind="odd-block",
                summary=f"{device.name} gives blocks that the data sheet does not know, each time",
                measured=(f"{blocks.impossible} of {blocks.reads}: {blocks.usual}",),
                ruled_out=("noise: the CRC is right and the block stays",),
                try_first="compare with a known-good device; it may not be the type that its family code says",
                device=device.rom_code,
            )


def clone_like(evidence: Evidence) -> Iterator[Finding]:
    """Twelve bits in a time that originals need for nine; readings stay valid."""
    for device in evidence.devices:
        times = _conversion_times(device)
        if device.family != 0x28 or not device.full_resolution or not times:
            continue
        if max(times) < _CLONE_CONVERSION_MS:
            odd_rom = device.rom_code[2:6] != "0000"
            yield Finding(
                cause=Cause.CONFIGURATION,
                kind="clone-like",
                summary=f"{device.name} converts to 12 bit in {max(times):.0f} ms: clone silicon; "
                "its readings stay valid",
                measured=(
                    f"conversion {min(times):.0f} to {max(times):.0f} ms, originals 590 to 610",
                    f"ROM bytes 5 and 6 are {'not ' if odd_rom else ''}00h (a hint only)",
                    *_says_bus_power(device),
                ),
                try_first="no bus power and no stores for this part; check its offset in ice water",
                device=device.rom_code,
                severity=FindingSeverity.NOTE,
            )


def _says_bus_power(device: DeviceFacts) -> tuple[str, ...]:
    """An answer to the power query that its busy belies; some clones give it."""
    if not device.on_parasite:
        return ()
    of, said = len(device.supply_answers), device.supply_answers.count(0)
    return (
        f"power query: bus power in {said} of {of}, and it pulls the line for busy, as "
        "only a part with a supply of its own can: do not trust that answer",
    )


def _conversion_times(device: DeviceFacts) -> list[float]:
    """Those that a restart did not cut short: such a time says nothing of the silicon."""
    return [
        c.took_ms
        for c in device.conversions
        if c.took_ms is not None and c.marker_kept is not False and not c.power_on
    ]


def late_conversion(evidence: Evidence) -> Iterator[Finding]:
    """Busy for longer than the published time, or without end."""
    for device in evidence.devices:
        if device.longest_ms is None:
            continue
        late = [
            c
            for c in device.conversions
            if c.alone and c.heard and not c.trouble
            if is_late(c, device.longest_ms)
        ]
        if late:
            shown = late[0].took_ms
            # a clock that slows for lack of supply does it (public report on a resistance in
            # the lead); one that is slow by itself is rarer and told apart by a good supply
            yield Finding(
                cause=Cause.SUPPLY,
                kind="slow-conversion",
                summary=f"{device.name} converts for longer than it may, as with a resistance in "
                "its supply lead: its values are not to be trusted",
                measured=(
                    f"{f'{shown:.0f} ms' if shown else 'no end seen'}, published longest "
                    f"{device.longest_ms:g} ms"
                    + (f": {shown / device.longest_ms - 1:+.0%}" if shown else ""),
                ),
                try_first="meter the supply at the probe during a conversion (a corroded splice?), then "
                "replace it",
                device=device.rom_code,
            )
