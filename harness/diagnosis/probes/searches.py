"""Probes by search: of the whole bus, and directed at one device."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from harness.diagnosis.evidence.bus import ScanFacts
from harness.driver.bus import Bus
from harness.driver.search import (
    Enumeration,
    answers_as,
    directed_search,
    enumerate_devices,
)
from harness.errors import (
    AdapterError,
    AdapterUnplugged,
    NobodyAnswers,
    NoEcho,
    ShortEcho,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchCount:
    """Directed searches of one device, counted.

    Attributes:
        answered: whole answers.
        troubles: what ended others beside the device: kind of error -> count.
        lows_missed: searches in which it did not pull single slots low and was in step
            behind them.
        zeros_lifted: searches in which a zero that the host wrote came back high.
    """

    answered: int
    troubles: Counter[str]
    lows_missed: int
    zeros_lifted: int

    @property
    def late(self) -> int:
        """Those whose echoes came late or in excess: no loss of the device."""
        return sum(self.troubles.values()) - self.troubles["no-presence"]


def count_verified(bus: Bus, rom: RomCode, times: int) -> SearchCount:
    """Directed searches that a device answered, and how others ended.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    answered, lows_missed, zeros_lifted, troubles = 0, 0, 0, Counter[str]()
    for _ in range(times):
        try:
            levels = directed_search(bus, rom)
        except AdapterUnplugged:
            raise
        except AdapterError as fault:
            # what comes later was late; what never comes was merged on the line by a
            # device out of step, or lost: then others lose as many
            late = bus.adapter.unsolicited if isinstance(fault, _CUT) else b""
            if bus.adapter.settle() or late:
                troubles[fault.kind] += 1
        except NobodyAnswers as fault:
            troubles[fault.kind] += 1  # nobody at all
        except SlotproofError:
            # a slot pulled by a device that is out of step, or a zero lifted by noise
            zeros_lifted += lifts_written_zeros(bus, rom)
            bus.adapter.settle()
        else:
            answered += answers_as(rom, levels)
            lows_missed += misses_single_lows(rom, levels)
    return SearchCount(
        answered=answered,
        troubles=troubles,
        lows_missed=lows_missed,
        zeros_lifted=zeros_lifted,
    )


_CUT = (NoEcho, ShortEcho)
"""A burst that was given up: the bus has waited for the rest already."""

_LAST = 8
"""Positions of the CRC. A device that is out of step pulls there by chance, at most in one
of two at the right position: in all of them in one of 256 searches."""


def misses_single_lows(rom: RomCode, levels: Sequence[int]) -> bool:
    """True if single lows of a device are missing and all those of its CRC are there.

    Each position has one slot that this device pulls low. A device that is away, or was
    for a few slots, is out of step until the next reset; one that was there all the time
    and whose low did not come through goes on in step.
    """
    pulled = [levels[3 * n + bit] == 0 for n, bit in enumerate(rom.bits)]
    return not all(pulled) and all(pulled[-_LAST:])


def lifts_written_zeros(bus: Bus, rom: RomCode) -> bool:
    """True if a zero that the host wrote came back high in the last directed search.

    Whoever else pulls can only keep it low: it was lifted on the line or at the receiver.
    """
    last = bus.last
    if last is None or len(last.echoes) != len(last.frames):
        return False
    zero = bus.slots.encode_bits([0])[0]
    written = [8 + 3 * n + 2 for n, bit in enumerate(rom.bits) if not bit]
    return any(
        last.frames[n] == zero and is_lifted(last.echoes[n] & ~zero)
        for n in (*range(8), *written)
        if n < len(last.frames)
    )


def is_lifted(ones: int) -> bool:
    """True if bits of a low character are high behind ones that are low.

    High bits at its start alone come of a spike before it, too, which pulls the idle line
    low and is taken for the start bit.
    """
    return bool(ones & (ones + 1))
