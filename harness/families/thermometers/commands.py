"""Commands of the thermometers, as rows.

Sources: data sheets family 28h (part DS18B20, rev 042208) p. 10-12 and p. 19 for times,
10h (DS18S20) p. 10-11, 22h (DS1822) p. 10-12, 42h (DS28EA00) p. 10-12 and 27-29, 3Bh
(DS1825 p. 7-10, MAX31826 p. 12-14, MAX31850 p. 19-22). A 28h that is read and written
within one transaction takes the next command behind the last byte without a reset:
seen in a logic-analyser recording of two real devices (two_thermometers_28h, from the
public-domain example collection sigrok-dumps, 2024-10).
"""

from __future__ import annotations

from harness.families.command import (
    ADDRESS,
    OPEN,
    Command,
    Effect,
    Place,
    Rest,
    Status,
    ToPageEnd,
    crc8,
    device,
    host,
    one_byte_address,
)
from harness.families.common.status_port import status_commands
from harness.families.thermometers.thermometry import signed, sixteenths

_SHEET = "data sheet family 28h (part DS18B20, rev 042208) p. 10-12"


def _block_in_words(block: bytes) -> str:
    """What a 28h shows; bytes 0 to 7, their CRC is proved elsewhere."""
    bits = 9 + (block[4] >> 5 & 3)
    high, low = signed(block[2]), signed(block[3])
    return (
        f"{sixteenths(block, bits):g} degC, {bits} bit, alarm at {high} and {low} degC"
    )


def _counters_in_words(block: bytes) -> str:
    """What a 10h shows, by its two counters (data sheet family 10h, p. 3-4)."""
    whole = int.from_bytes(block[:2], "little", signed=True) >> 1
    degc = whole - 0.25 + (block[7] - block[6]) / block[7] if block[7] else whole
    return f"{degc:g} degC, alarm at {signed(block[2])} and {signed(block[3])} degC"


def _couple_in_words(block: bytes) -> str:
    couple = (int.from_bytes(block[:2], "little", signed=True) >> 2) / 4
    cold = (int.from_bytes(block[2:4], "little", signed=True) >> 4) / 16
    return f"{couple:g} degC, cold junction {cold:g} degC, location {block[4] & 15}"


def _located_in_words(block: bytes) -> str:
    """By byte 4, as far as that distinguishes the four parts."""
    if block[4] & 0x80:
        if block[6:8] == b"\xff\xff":
            return _couple_in_words(block)
        return f"{sixteenths(block, 12):g} degC, location {block[4] & 15}"
    return f"{_block_in_words(block)}, location {block[4] & 15}"


def _convert(longest_ms: float) -> Command:
    return Command(
        name="convert",
        code=b"\x44",
        parts=(Status(name="conversion", longest_ms=longest_ms),),
        effect=Effect.VOLATILE,
        about="fed from the data line the device needs a strong pull-up instead of slots, "
        "within 10 us of the command",
        source=_SHEET,
    )


def _read_scratchpad(words: object = _block_in_words) -> Command:
    return Command(
        name="read scratchpad",
        code=b"\xbe",
        parts=(
            device("block", 8, words=words, about="temperature lo hi, TH, TL, ..."),
            crc8("block"),
        ),
        goes_on=True,
        source=f"{_SHEET}; behind the CRC ones: data sheet family 42h (part DS28EA00) p. 27",
    )


def _write_scratchpad(size: int) -> Command:
    names = "TH, TL and configuration" if size == 3 else "TH and TL"
    return Command(
        name="write scratchpad",
        code=b"\x4e",
        parts=(host("settings", size, about=names),),
        effect=Effect.VOLATILE,
        goes_on=True,
        about="cut short by a reset, the content is undefined",
        source=_SHEET,
    )


_COPY = Command(
    name="copy scratchpad",
    code=b"\x48",
    parts=(Rest(longest_ms=10.0), Status(name="copying")),
    effect=Effect.STORED,
    about="that slots show it at work is published for some editions of the device only",
    source="data sheet family 28h (part DS18B20, rev 042208) p. 11 and 19",
)
_RECALL = Command(
    name="recall",
    code=b"\xb8",
    parts=(Status(name="recall"),),
    effect=Effect.VOLATILE,
    about="done by each power-up too",
    source=_SHEET,
)
_READ_SUPPLY = Command(
    name="read power supply",
    code=b"\xb4",
    parts=(Status(name="external supply", counted=1),),
    about="0 is fed from the data line; after a skip 0 if any device is",
    source=_SHEET,
)


def _common(longest_ms: float, settings: int, words: object) -> tuple[Command, ...]:
    return (
        _convert(longest_ms),
        _write_scratchpad(settings),
        _read_scratchpad(words),
        _COPY,
        _RECALL,
        _READ_SUPPLY,
    )


PLAIN = _common(750.0, 3, _block_in_words)
"""Families 28h and 22h."""

WITH_COUNTERS = _common(750.0, 2, _counters_in_words)
"""Family 10h: two settings, no configuration."""

_MEMORY_PART = "data sheet family 3Bh with memory (part MAX31826, rev 0) p. 12-14"

LOCATED = (
    *_common(750.0, 3, _located_in_words),
    Command(
        name="write second scratchpad",
        code=b"\x0f",
        parts=(
            one_byte_address(),
            host("row", 8),
            crc8("code", ADDRESS, "row"),
        ),
        effect=Effect.VOLATILE,
        about="the device with memory only; the others stay silent",
        source=_MEMORY_PART,
    ),
    Command(
        name="read second scratchpad",
        code=b"\xaa",
        parts=(one_byte_address(), device("row", ToPageEnd(8)), device("check")),
        about="the device with memory only; what the check byte covers: not known",
        source=_MEMORY_PART,
    ),
    Command(
        name="copy second scratchpad",
        code=b"\x55\xa5",
        parts=(Rest(longest_ms=25.0),),
        effect=Effect.STORED,
        about="the device with memory only",
        source=f"{_MEMORY_PART}; 25 ms: from memory",
    ),
    Command(
        name="read memory",
        code=b"\xf0",
        parts=(one_byte_address(), device("memory", OPEN)),
        about="the device with memory only; no CRC",
        source=_MEMORY_PART,
    ),
)
"""Family 3Bh, whatever its four parts have: a command that a part lacks is silence."""


_CHAIN_STATES = frozenset({0x3C, 0x5A, 0x96})
_CHAIN_SHEET = "data sheet family 42h (part DS28EA00) p. 10-12 and 27-29"

CHAINED = (
    *_common(750.0, 3, _block_in_words),
    *status_commands(0xA5, _CHAIN_SHEET),
    Command(
        name="chain",
        code=b"\x99",
        parts=(
            host("state", values=_CHAIN_STATES, about="3Ch off, 5Ah on, 96h done"),
            host("inverse"),
            device("confirmation", OPEN, values=frozenset({0xAA})),
        ),
        effect=Effect.VOLATILE,
        source=_CHAIN_SHEET,
    ),
    Command(
        name="conditional read ROM",
        code=b"\x0f",
        place=Place.ROM,
        parts=(device("rom", 7), crc8("rom")),
        goes_on=True,
        about="answered by the device whose chain is on and whose EN is low; it is "
        "selected by it",
        source=f"{_CHAIN_SHEET}; the code: from memory",
    ),
)
"""Family 42h."""
