"""Reading a thermometer's block again and again: what differs, and in which direction."""

from __future__ import annotations

from collections import Counter

from harness.diagnosis.evidence.bus import Blocks
from harness.driver.bus import Bus
from harness.errors import AdapterUnplugged, SlotproofError
from harness.families.thermometers.own_constants import constants_in
from harness.families.thermometers.thermometer import (
    READ_SCRATCHPAD,
    ThermometerScratchpad,
    prove,
)
from harness.wire.crc import crc8
from harness.wire.romcode import RomCode

BLOCK_BYTES = 9


def read_raw(bus: Bus, rom: RomCode) -> tuple[bytes, str]:
    """Nine bytes as they come, or the kind of the error that came instead.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    try:
        return bus.transact(rom, bytes([READ_SCRATCHPAD]), BLOCK_BYTES), ""
    except AdapterUnplugged:
        raise
    except SlotproofError as fault:
        bus.adapter.settle()
        return b"", fault.kind


def proved(data: bytes, family: int) -> ThermometerScratchpad | None:
    """The block if it can be one."""
    try:
        return prove(data, family) if data else None
    except SlotproofError:
        return None


def read_again_and_again(bus: Bus, rom: RomCode, times: int) -> Blocks:
    """The same block ``times`` times, sorted by what came.

    Raises:
        AdapterUnplugged: the port is gone.
    """
    troubles: Counter[str] = Counter()
    blocks: list[tuple[float, bytes]] = []
    started_s = bus.clock.now_s()
    bad_at_s = []
    for _ in range(times):
        data, trouble = read_raw(bus, rom)
        at_s = round(bus.clock.now_s() - started_s, 3)
        if data:
            blocks.append((at_s, data))
        else:
            troubles[trouble] += 1
            bad_at_s.append(at_s)
    counted = Counter(data for _, data in blocks)
    own = own_constants_of(counted, rom.family)
    good = _most_often_good(counted, rom.family, own)
    usual = good or next(iter(dict(counted.most_common(1))), b"")
    sorts = {data: _kind(data, rom.family, good) for data in counted}
    kinds = Counter(sorts[data] for _, data in blocks)
    bad_at_s += [at_s for at_s, data in blocks if sorts[data] != "whole"]
    wrong = {data for data in counted if sorts[data] != "whole"}
    flips = [
        flips_between(usual, data)
        for _, data in blocks
        if sorts[data] in _DAMAGED and _is_flipped(usual, data)
    ]
    return Blocks(
        reads=times,
        whole=kinds["whole"],
        check_wrong=kinds["check"],
        zeros=kinds["zeros"],
        ones=kinds["ones"],
        broken_off=kinds["broken off"],
        slipped=kinds["slip"],
        impossible=kinds["impossible"],
        moved=kinds["moved"],
        constants=own.hex(" ").upper(),
        troubles=dict(troubles),
        distinct_wrong=len(wrong),
        flips_up=sum(up for up, _ in flips),
        flips_down=sum(down for _, down in flips),
        usual=usual.hex(" ").upper(),
        bad_at_s=tuple(sorted(bad_at_s)),
    )


_DAMAGED = frozenset({"check", "impossible", "moved"})
"""Blocks that were damaged on the way. One that is whole and another holds what the device
holds now: a restart changes it, noise does in one of 256 cases (CRC-8)."""


def _most_often_good(counted: Counter[bytes], family: int, own: bytes) -> bytes:
    """The most frequent block that can be one and holds the device's own constants."""
    for data, _ in counted.most_common():
        if proved(data, family) and constants_in(data, family) == own:
            return data
    return b""


def _is_flipped(usual: bytes, data: bytes) -> bool:
    """True if bits of the block differ one by one, and none of it is missing."""
    return data != usual and any(data) and not is_broken_off(usual, data)


def own_constants_of(counted: Counter[bytes], family: int) -> bytes:
    """Constants of the device's own: what most of its blocks that can be hold."""
    votes: Counter[bytes] = Counter()
    for data, times in counted.items():
        if proved(data, family):
            votes[constants_in(data, family)] += times
    return votes.most_common(1)[0][0] if votes else b""


def _kind(data: bytes, family: int, good: bytes) -> str:
    if good and is_slip(good, data):
        return "slip"
    if proved(data, family):
        same = constants_in(data, family) == constants_in(good, family)
        return "whole" if same else "moved"
    return _damage(data, good)


def _damage(data: bytes, good: bytes) -> str:
    if not any(data):
        return "zeros"
    if data == b"\xff" * len(data):
        return "ones"
    if good and is_broken_off(good, data):
        return "broken off"
    return "check" if crc8(data) else "impossible"


def is_slip(good: bytes, bad: bytes) -> bool:
    """True if ``bad`` is ``good`` moved by one slot: one too many, or one missed."""
    right, wrong = bits(good), bits(bad)
    return wrong[1:] == right[:-1] or wrong[:-1] == right[1:]


def is_broken_off(good: bytes, bad: bytes) -> bool:
    """True if ``bad`` is ``good`` up to a position, and ones from there to the end."""
    right, wrong = bits(good), bits(bad)
    position = next(
        (
            n
            for n, pair in enumerate(zip(right, wrong, strict=True))
            if pair[0] != pair[1]
        ),
        len(right),
    )
    return all(wrong[position:]) and right[position:].count(0) >= _GONE_FOR


_GONE_FOR = 3
"""Zeros of the good block that read as ones in a row: no single spike does that."""


def bits(data: bytes) -> list[int]:
    """In the order of the wire: least significant bit of each byte first."""
    return [value >> position & 1 for value in data for position in range(8)]


def flips_between(good: bytes, bad: bytes) -> tuple[int, int]:
    """Bits turned from 0 to 1, and from 1 to 0."""
    pairs = list(zip(bits(good), bits(bad), strict=True))
    return pairs.count((0, 1)), pairs.count((1, 0))
