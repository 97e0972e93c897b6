"""Commands of monitors, protectors and gauges, and what shows that one restarted, as rows.

Sources: data sheets families 26h (part DS2438, 070605) p. 6-16, 30h (DS2760 p. 7, 11 and
25, DS2761 p. 22-23, DS2762 p. 21), 2Eh (DS2770) p. 13-15, 36h (DS2740) p. 6. From memory:
51h, the charging commands of 2Eh, the length of a copy of 26h.
"""

from __future__ import annotations

from harness.families.command import (
    OPEN,
    Command,
    Effect,
    Rest,
    Status,
    crc8,
    device,
    host,
    one_byte_address,
)
from harness.families.restart import AfterRestart, RestartSign, Trace
from harness.families.session import Session

_26 = "data sheet family 26h (part DS2438, 070605) p. 6-16"
_30 = "data sheet family 30h (part DS2760) p. 7 and 11"
_2E = "data sheet family 2Eh (part DS2770) p. 13-15"

_PAGE = host("page", values=frozenset(range(8)))

MONITOR = (
    Command(
        name="recall",
        code=b"\xb8",
        parts=(_PAGE,),
        effect=Effect.VOLATILE,
        about="memory to scratchpad: needed before each reading",
        source=_26,
    ),
    Command(
        name="read scratchpad",
        code=b"\xbe",
        parts=(_PAGE, device("block", 8), crc8("block")),
        source=_26,
    ),
    Command(
        name="write scratchpad",
        code=b"\x4e",
        parts=(_PAGE, host("block", 8)),
        effect=Effect.VOLATILE,
        about="no CRC: read back",
        source=_26,
    ),
    Command(
        name="copy scratchpad",
        code=b"\x48",
        parts=(_PAGE, Rest(longest_ms=10.0), Status(name="copy", longest_ms=10.0)),
        effect=Effect.STORED,
        source=f"{_26}; 10 ms: from memory",
    ),
    Command(
        name="convert temperature",
        code=b"\x44",
        parts=(Status(name="conversion", longest_ms=10.0),),
        effect=Effect.VOLATILE,
        source=f"{_26}; 10 ms: from memory",
    ),
    Command(
        name="convert voltage",
        code=b"\xb4",
        parts=(Status(name="conversion", longest_ms=4.0),),
        effect=Effect.VOLATILE,
        source=f"{_26}; 4 ms: from memory",
    ),
)
"""Family 26h."""


def _page_3(session: Session) -> str:
    """Scratchpad of the first user page, without recalling it."""
    return session.transact(b"\xbe\x03", 8).hex(" ").upper()


def _results(session: Session) -> str:
    """Temperature and voltage of the last conversion."""
    session.transact(b"\xb8\x00")
    return session.transact(b"\xbe\x00", 5)[1:].hex(" ").upper()


MONITOR_RESTARTS = (
    RestartSign(
        shown_by="scratchpad of page 3",
        trace=Trace.SCRATCHPAD,
        after=AfterRestart.RANDOM,
        governs=frozenset({"memory_write", "memory_pattern"}),
        read=_page_3,
        about="what was written and not copied is gone; each recall loads what is stored",
        source="from memory",
    ),
    RestartSign(
        shown_by="results of page 0",
        trace=Trace.READING,
        after="00 00 00 00",
        governs=frozenset({"temperature", "voltage"}),
        read=_results,
        about="temperature and voltage are zero until the first conversion ends",
        source="from memory",
    ),
)


# -- gauges --------------------------------------------------------------------------

_READ_WRITE = (
    Command(
        name="read",
        code=b"\x69",
        parts=(one_byte_address(), device("data", OPEN)),
        about="no CRC: read twice; the address goes on by itself",
        source=_30,
    ),
    Command(
        name="write",
        code=b"\x6c",
        parts=(one_byte_address(), host("data", OPEN)),
        effect=Effect.VOLATILE,
        about="registers and the shadow of the EEPROM; what cannot be written is ignored",
        source=_30,
    ),
)


def _of_a_block(name: str, code: int, effect: Effect, about: str) -> Command:
    return Command(
        name=name,
        code=bytes([code]),
        parts=(one_byte_address(),),
        effect=effect,
        about=about,
        source=_30,
    )


_BLOCKS = (
    _of_a_block(
        "copy",
        0x48,
        Effect.STORED,
        "a whole block, from shadow to EEPROM; 10 ms at most, bit 7 of 07h meanwhile",
    ),
    _of_a_block(
        "recall", 0xB8, Effect.VOLATILE, "a whole block, from EEPROM to shadow"
    ),
    _of_a_block(
        "lock", 0x6A, Effect.FOR_EVER, "only if the lock bit of 07h was set just before"
    ),
)


def _charging(name: str, code: int, about: str) -> Command:
    return Command(
        name=name,
        code=bytes([code]),
        effect=Effect.VOLATILE,
        about=about,
        source=f"{_2E}; the code: from memory",
    )


COULOMB = _READ_WRITE
"""Family 36h."""

GAUGE = (*_READ_WRITE, *_BLOCKS)
"""Families 30h and 51h."""

CHARGER = (
    *GAUGE,
    _charging("refresh", 0x63, "registers from EEPROM"),
    _charging("start charging", 0xB5, "energises the pack"),
    _charging("stop charging", 0xBE, ""),
)
"""Family 2Eh."""

_ACCOUNT = RestartSign(
    shown_by="accumulated_charge",
    trace=Trace.COUNT,
    after=0.0,
    governs=frozenset({"accumulated_charge", "charge_accumulation"}),
    when="the device lost its supply, which is the cell",
    about="the account begins at zero",
    source="from memory",
)


def _shadow(session: Session) -> str:
    """The first user bytes of the shadow, without recalling them."""
    return session.transact(b"\x69\x20", 4).hex(" ").upper()


_SHADOW = RestartSign(
    shown_by="shadow of 20h",
    trace=Trace.SETTING,
    after=AfterRestart.STORED,
    governs=frozenset({"memory_write", "memory_pattern"}),
    read=_shadow,
    about="what was written and not copied is gone",
    source=_30,
)

COULOMB_RESTARTS = (_ACCOUNT,)
"""Family 36h."""

GAUGE_RESTARTS = (_ACCOUNT, _SHADOW)
"""Families 51h and 2Eh."""


def _switch(name: str) -> RestartSign:
    return RestartSign(
        shown_by=name,
        trace=Trace.OUTPUT,
        after=AfterRestart.STORED,
        governs=frozenset({name}),
        about="as the quantity enabled_at_power_up says",
        source="data sheet family 30h (part DS2760) p. 7; register 31h: from memory",
    )


PROTECTOR_RESTARTS = (
    *GAUGE_RESTARTS,
    _switch("charge_enabled"),
    _switch("discharge_enabled"),
)
"""Family 30h."""
