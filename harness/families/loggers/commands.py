"""Commands of the loggers, and what shows that one restarted, as rows.

A sealed cell feeds clock and memory: what a restart of the part takes is its scratchpad.
The end of the cell shows on 41h as bit 7 of the alarm byte, which ``read_registers``
refuses; on 21h an oscillator that stands is its only trace.

Sources: data sheets families 21h (parts DS1921G p. 35-40, DS1921H/Z p. 34-39), 41h
(DS1922L/T p. 32 and 45-49, DS1923 p. 48-52).
"""

from __future__ import annotations

from dataclasses import replace

from harness.families.command import Command, Effect, Rest, host
from harness.families.common.scratchpad_commands import (
    PAD_SIGN,
    copy_command,
    pad_commands,
    paged_read,
    plain_read,
)

_21 = "data sheet family 21h (part DS1921G) p. 35-40"
_41 = "data sheet family 41h (part DS1922L) p. 45-49"

TEMPERATURE = (
    *pad_commands(32, _21),
    copy_command(0.0, _21),
    plain_read(_21),
    paged_read(32, _21),
    Command(
        name="clear memory",
        code=b"\x3c",
        parts=(Rest(longest_ms=0.5, strong=False),),
        effect=Effect.FOR_EVER,
        about="histogram, alarms and counters; only if bit 6 of 020Eh was written just "
        "before and the clock runs",
        source=_21,
    ),
    Command(
        name="convert",
        code=b"\x44",
        parts=(Rest(longest_ms=90.0, strong=False),),
        effect=Effect.STORED,
        about="without a mission only; counts in the samples of a lifetime and drains the "
        "sealed cell",
        source=f"{_21}; 90 ms: from memory",
    ),
)
"""Family 21h."""


def _with_password(name: str, code: int, about: str, effect: Effect) -> Command:
    return Command(
        name=name,
        code=bytes([code]),
        parts=(
            host("password", 8, confidential=True),
            host("release", values=frozenset({0xFF})),
        ),
        effect=effect,
        about=about,
        source=_41,
    )


CLIMATE = (
    *pad_commands(32, _41),
    copy_command(0.0, _41, code=0x99, password=8),
    paged_read(32, f"{_41}; the CRC leaves the password out", password=8, code=0x69),
    _with_password(
        "clear memory", 0x96, "results of the last mission", Effect.FOR_EVER
    ),
    _with_password(
        "start mission", 0xCC, "needs cleared memory and the oscillator", Effect.STORED
    ),
    _with_password("stop mission", 0x33, "", Effect.STORED),
    Command(
        name="convert",
        code=b"\x55",
        parts=(
            host("release", values=frozenset({0xFF})),
            Rest(longest_ms=600.0, strong=False),
        ),
        effect=Effect.STORED,
        about="with the oscillator off it leaves the device dead for ever; counts in the "
        "samples of a lifetime",
        source=f"{_41} and p. 18",
    ),
)
"""Family 41h."""

RESTARTS = (
    replace(
        PAD_SIGN, governs=frozenset({"memory_write", "memory_pattern", "clock_set"})
    ),
)
