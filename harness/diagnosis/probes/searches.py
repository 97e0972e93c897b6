"""Probes by search: of the whole bus, and directed at one device."""

from __future__ import annotations

from collections import Counter
from itertools import chain

from harness.diagnosis.evidence.bus import ScanFacts
from harness.driver.bus import Bus
from harness.driver.search import Enumeration, enumerate_devices, verify
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    NobodyAnswers,
    SlotproofError,
)
from harness.wire.romcode import RomCode


def scan(bus: Bus, scans: int) -> ScanFacts:
    """The whole bus, ``scans`` times; an error ends a scan and is counted.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    whole: list[Enumeration] = []
    troubles: Counter[str] = Counter()
    low = slots = 0
    for _ in range(scans):
        try:
            whole.append(enumerate_devices(bus))
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            troubles[fault.kind] += 1
            levels = _read_levels(bus)
            low, slots = low + levels.count(0), slots + len(levels)
            bus.adapter.settle()
    found = chain.from_iterable(one.found for one in whole)
    rejected = chain.from_iterable(one.rejected for one in whole)
    ends = chain.from_iterable(one.dead_ends for one in whole)
    each = tuple(map(_codes, whole))
    return ScanFacts(
        scans=scans,
        whole=len(whole),
        found=dict(Counter(map(str, found))),
        each=each,
        first=each[0] if each else (),
        last=each[-1] if each else (),
        rejected=dict(Counter(map(str, rejected))),
        dead_ends=dict(sorted(Counter(end.position for end in ends).items())),
        troubles=dict(troubles),
        disturbed_passes=sum(one.disturbed_passes for one in whole),
        passes=sum(one.passes for one in whole),
        low_share=round(low / slots, 3) if slots else 0.0,
    )


def _read_levels(bus: Bus) -> list[int]:
    """Bits of the read slots of the last burst; 0 for those that merged with others."""
    if bus.last is None:
        return []
    places = [n for n, f in enumerate(bus.last.frames) if f == 0xFF and n >= _COMMAND]
    echoes = bus.last.echoes
    return [echoes[n] & 1 if n < len(echoes) else 0 for n in places]


_COMMAND = 8
"""Slots of the search command, which a burst may begin with."""


def _codes(enumeration: Enumeration) -> tuple[str, ...]:
    return tuple(sorted(str(rom) for rom in enumeration.found))


def count_verified(bus: Bus, rom: RomCode, times: int) -> tuple[int, Counter[str]]:
    """Directed searches that a device answered, and what ended others beside the device.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    answered, troubles = 0, Counter[str]()
    for _ in range(times):
        try:
            answered += verify(bus, rom)
        except AdapterUnplugged:
            raise
        except AdapterError as fault:
            # what comes later was late; what never comes was merged on the line by a
            # device out of step, or lost: then others lose as many
            if bus.adapter.settle():
                troubles[fault.kind] += 1
        except NobodyAnswers as fault:
            troubles[fault.kind] += 1  # nobody at all
        except SlotproofError:
            # a slot pulled by a device that is out of step
            bus.adapter.settle()
    return answered, troubles
